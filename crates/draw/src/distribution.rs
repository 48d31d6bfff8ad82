//! A distribution as a curve.

use std::fmt::Write as _;

use crate::scale::one_two_five;
use crate::text::label;
use crate::xml::escaped;

/// Width of the drawing, and the room around the curve, in its own units.
const WIDTH: f64 = 640.0;
const LEFT: f64 = 46.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 34.0;

/// The distribution of errors as a curve: how large a share of the positions has an error up to which size.
/// `rising_m` are the errors in metres, smallest first; marks are lengths with their names, like CE50.
pub fn distribution_svg(title: &str, rising_m: &[f64], marks: &[(&str, f64)]) -> String {
    const HEIGHT: f64 = 260.0;
    let (w, h) = (WIDTH - LEFT - RIGHT, 180.0);
    let largest = rising_m.last().copied().unwrap_or(0.0);
    let far = marks.iter().map(|m| m.1).fold(largest, f64::max);
    let step = one_two_five(far.max(0.01) / 4.0);
    let end = step * (far.max(0.01) / step).ceil();
    let at = |e: f64, share: f64| [LEFT + e / end * w, TOP + (1.0 - share) * h];
    let mut body = String::new();
    for share in [0.0, 0.25, 0.5, 0.75, 1.0] {
        let [_, y] = at(0.0, share);
        let _ = writeln!(
            body,
            "<path d=\"M{LEFT} {y:.1}h{w:.1}\" stroke=\"#ccc\"/><text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" fill=\"#555\">{:.0} %</text>",
            LEFT - 6.0,
            y + 4.0,
            share * 100.0
        );
    }
    let steps = (end / step).round() as u32;
    for k in 0..=steps {
        let [x, y] = at(f64::from(k) * step, 0.0);
        let side = if k == steps { "end" } else { "middle" };
        let _ = writeln!(
            body,
            "<text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"{side}\" fill=\"#555\">{:.3}</text>",
            y + 16.0,
            f64::from(k) * step
        );
    }
    for (i, (name, m)) in marks.iter().enumerate() {
        let [x, y] = at(*m, 1.0);
        let _ =
            writeln!(body, "<path d=\"M{x:.1} {y:.1}v{h}\" stroke=\"#b3261e\" stroke-dasharray=\"4 3\"/>");
        let (dx, side) = if *m > 0.7 * end { (-4.0, "end") } else { (4.0, "start") };
        body.push_str(&label(
            x + dx,
            TOP + h - 12.0 - 18.0 * i as f64,
            side,
            "#8c1d18",
            &format!("{name} {m:.3} m"),
        ));
    }
    // More points than the drawing has units would only make it large.
    let every = (rising_m.len() / 600).max(1);
    let last = rising_m.len().saturating_sub(1);
    let points = rising_m.iter().enumerate().filter(|(i, _)| i % every == 0 || *i == last).map(|(i, e)| {
        let [x, y] = at(*e, (i + 1) as f64 / rising_m.len() as f64);
        format!("{x:.1},{y:.1}")
    });
    let points = points.collect::<Vec<_>>().join(" ");
    let _ =
        writeln!(body, "<polyline points=\"{points}\" fill=\"none\" stroke=\"#2b5c8a\" stroke-width=\"2\"/>");
    let title = escaped(title);
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH:.0} {HEIGHT:.0}\" role=\"img\" aria-label=\"{title}\" \
         font-family=\"sans-serif\" font-size=\"12\" fill=\"#222\">\n<rect width=\"{WIDTH:.0}\" height=\"{HEIGHT:.0}\" fill=\"#fff\"/>\n\
         <text x=\"{LEFT}\" y=\"20\" font-size=\"15\" font-weight=\"bold\">{title}</text>\n{body}\
         <text x=\"{LEFT}\" y=\"{:.0}\">horizontal error, metres; the curve is the share of positions with an error up to that</text>\n</svg>\n",
        HEIGHT - 8.0
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_distribution_is_drawn_for_few_many_and_no_errors() {
        let many: Vec<f64> = (0..50_000).map(|i| f64::from(i) * 1e-5).collect();
        for errors in [&many[..], &[0.25][..], &[][..]] {
            let svg = distribution_svg("errors", errors, &[("CE50", 0.1), ("CE95", 0.4)]);
            assert!(svg.contains("CE95 0.400 m") && !svg.contains("NaN") && !svg.contains("inf"), "{svg}");
            assert!(svg.len() < 20_000, "{}", svg.len());
        }
    }
}
