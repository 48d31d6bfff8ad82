//! Round numbers for scales.

/// 1, 2 or 5 times a power of ten, at or below `v`; of what is below 0.001, 0.001.
pub fn one_two_five(v: f64) -> f64 {
    let power = 10_f64.powf(v.max(1e-3).log10().floor());
    let steps = [5.0, 2.0, 1.0];
    steps.into_iter().map(|s| s * power).find(|s| *s <= v.max(1e-3) * (1.0 + 1e-9)).unwrap_or(power)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn round_steps() {
        for (v, step) in [(0.07, 0.05), (1.0, 1.0), (1.9, 1.0), (4.2, 2.0), (9.99, 5.0), (73.0, 50.0)] {
            assert!((one_two_five(v) - step).abs() < 1e-9, "{v}: {}", one_two_five(v));
        }
    }
}
