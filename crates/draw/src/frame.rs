//! A plan on a sheet: metres to drawing units, with one scale for both directions, north up.

use std::fmt::Write as _;

use crate::scale::one_two_five;

/// The sheet that a plan is drawn on, in the drawing's own units.
#[derive(Clone, Copy, Debug)]
pub struct Sheet {
    /// Of the whole sheet.
    pub width: f64,
    /// Left of the plan.
    pub left: f64,
    /// Right of the plan.
    pub right: f64,
    /// Above the plan.
    pub top: f64,
    /// Tallest plan; a long narrow yard is drawn smaller.
    pub tallest: f64,
}

/// Where metres are on the drawing.
#[derive(Clone, Copy, Debug)]
pub struct PlanFrame {
    /// South-west corner of the plan, metres.
    pub low: [f64; 2],
    /// East and north extent of the plan, metres.
    pub size: [f64; 2],
    /// Drawing units per metre.
    pub px: f64,
    left: f64,
    top: f64,
}

impl PlanFrame {
    /// A frame that holds all points, with a margin. Points that are no numbers are passed over.
    pub fn of(points: &[[f64; 2]], sheet: Sheet) -> PlanFrame {
        let mut frame =
            PlanFrame { low: [0.0; 2], size: [1.0; 2], px: 1.0, left: sheet.left, top: sheet.top };
        let known = || points.iter().filter(|p| p.iter().all(|v| v.is_finite()));
        for axis in [0, 1] {
            let low = known().map(|p| p[axis]).fold(f64::INFINITY, f64::min);
            let high = known().map(|p| p[axis]).fold(f64::NEG_INFINITY, f64::max);
            let (low, high) = if low <= high { (low, high) } else { (0.0, 0.0) };
            let margin = (0.04 * (high - low)).max(0.5);
            (frame.low[axis], frame.size[axis]) = (low - margin, high - low + 2.0 * margin);
        }
        let width = sheet.width - sheet.left - sheet.right;
        frame.px = (width / frame.size[0]).min(sheet.tallest / frame.size[1]);
        frame
    }

    /// Where a place (east, north, metres) is on the drawing.
    pub fn at(&self, m: [f64; 2]) -> [f64; 2] {
        [self.left + (m[0] - self.low[0]) * self.px, self.bottom() - (m[1] - self.low[1]) * self.px]
    }

    /// Lower edge of the plan on the drawing.
    pub fn bottom(&self) -> f64 {
        self.top + self.size[1] * self.px
    }

    /// Left, top, width, height of the plan on the drawing.
    pub fn rect(&self) -> [f64; 4] {
        [self.left, self.top, self.size[0] * self.px, self.size[1] * self.px]
    }

    /// Corners as an SVG list of points.
    pub fn points(&self, corners: &[[f64; 2]]) -> String {
        let each = corners.iter().map(|c| {
            let [x, y] = self.at(*c);
            format!("{x:.1},{y:.1}")
        });
        each.collect::<Vec<_>>().join(" ")
    }

    /// Numbers along the west and south side, in metres, and the plan's border.
    pub fn scale(&self, numbers: &str, border: &str, out: &mut String) {
        let step = one_two_five(self.size[0].max(self.size[1]) / 6.0);
        for axis in [0, 1] {
            let mut k = (self.low[axis] / step).ceil();
            while k * step <= self.low[axis] + self.size[axis] + 1e-9 {
                let value = k * step;
                let text =
                    if step < 1.0 { format!("{:.1}", value + 0.0) } else { format!("{:.0}", value + 0.0) };
                let (x, y, anchor) = if axis == 0 {
                    (self.at([value, self.low[1]])[0], self.bottom() + 15.0, "middle")
                } else {
                    (self.left - 6.0, self.at([self.low[0], value])[1] + 4.0, "end")
                };
                let _ = writeln!(
                    out,
                    "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\" {numbers}>{text}</text>"
                );
                k += 1.0;
            }
        }
        let [x, y, w, h] = self.rect();
        let _ = writeln!(
            out,
            "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{w:.1}\" height=\"{h:.1}\" fill=\"none\" {border}/>"
        );
    }
}
