//! A row of values as a row of small bars, one character each.

const BARS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

/// Draws `values` (oldest first) in `width` characters: neighbours are averaged to fit, a blank is a
/// stretch without a value. The scale spans at least `least_span`, so that noise stays a flat line.
pub(crate) fn sparkline(values: &[Option<f64>], width: usize, least_span: f64) -> String {
    let cells: Vec<Option<f64>> = (0..width).map(|cell| mean(slice_of(values, cell, width))).collect();
    let seen = || cells.iter().flatten().copied();
    let (Some(low), Some(high)) = (seen().reduce(f64::min), seen().reduce(f64::max)) else {
        return " ".repeat(width);
    };
    let span = (high - low).max(least_span);
    let floor = f64::midpoint(low, high) - span / 2.0;
    let bar = |value: f64| {
        // `as` saturates, so a value on the upper edge or no number at all still has its bar.
        BARS[((((value - floor) / span) * BARS.len() as f64) as usize).min(BARS.len() - 1)]
    };
    cells.iter().map(|cell| cell.map_or(' ', bar)).collect()
}

/// The values that fall into one of `width` cells; at least one when there are any.
fn slice_of(values: &[Option<f64>], cell: usize, width: usize) -> &[Option<f64>] {
    let from = cell * values.len() / width;
    let to = ((cell + 1) * values.len() / width).max(from + 1).min(values.len());
    values.get(from..to).unwrap_or_default()
}

fn mean(values: &[Option<f64>]) -> Option<f64> {
    let count = values.iter().flatten().count();
    (count > 0).then(|| values.iter().flatten().sum::<f64>() / count as f64)
}

#[cfg(test)]
mod tests;
