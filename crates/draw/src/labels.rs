//! Where the words on a plan go, so that none covers a mark or another word.
//!
//! How wide a text is can only be guessed, because the viewer chooses the letters: a column is taken as 0.56 of
//! the letters' size, a little more than usual. Each text tries the places around its mark; what finds no room
//! is left out or put on its first place, as the caller says. Everything left out stands in words below the plan.

use std::fmt::Write as _;

use unicode_width::UnicodeWidthStr;

use crate::text::{fit, rimmed};

/// Width of one column in letters' sizes.
const COLUMN: f64 = 0.56;
const SIZE: f64 = 12.0;
/// Longest label, columns.
const MAX_LABEL: usize = 40;

/// Columns that fit into a width.
pub fn columns_in(width: f64, size: f64) -> usize {
    (width / (COLUMN * size)).max(8.0) as usize
}

/// What is taken: left, top, width, height.
pub type Rect = [f64; 4];

/// The labels of one plan.
pub struct Labels {
    room: Rect,
    taken: Vec<Rect>,
}

impl Labels {
    /// None yet, within this room.
    pub fn within(room: Rect) -> Labels {
        Labels { room, taken: Vec::new() }
    }

    /// Keeps labels off this place.
    pub fn block(&mut self, rect: Rect) {
        self.taken.push(rect);
    }

    /// Keeps labels off a line from one point to another.
    pub fn block_line(&mut self, [from, to]: [[f64; 2]; 2]) {
        const STEP: f64 = 12.0;
        let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
        let steps = ((dx * dx + dy * dy).sqrt() / STEP).ceil().clamp(1.0, 400.0);
        for k in 0..=steps as u32 {
            let t = f64::from(k) / steps;
            self.block([from[0] + t * dx - 1.0, from[1] + t * dy - 1.0, 2.0, 2.0]);
        }
    }

    /// Beside a mark. When there is no room, `anyway` puts it on its first place within the plan. Whether it is there.
    pub fn put(&mut self, at: [f64; 2], text: &str, paint: &str, anyway: bool, out: &mut String) -> bool {
        let [x, y] = at;
        let text = fit(text, MAX_LABEL);
        let w = width_of(&text);
        let places = [
            [x + 10.0, y - 8.0],
            [x - 10.0 - w, y - 8.0],
            [x - 0.5 * w, y + 8.0],
            [x - 0.5 * w, y - 24.0],
            [x + 6.0, y + 7.0],
            [x - 6.0 - w, y + 7.0],
            [x + 6.0, y - 25.0],
            [x - 6.0 - w, y - 25.0],
        ];
        self.choose(&places, &text, w, paint, anyway, out)
    }

    /// Around the middle of an area.
    pub fn put_at(&mut self, at: [f64; 2], text: &str, paint: &str, out: &mut String) -> bool {
        let [x, y] = at;
        let text = fit(text, MAX_LABEL);
        let w = width_of(&text);
        let places = [0.0, 16.0, -16.0, 32.0, -32.0, 48.0, -48.0].map(|dy| [x - 0.5 * w, y - 8.0 + dy]);
        self.choose(&places, &text, w, paint, false, out)
    }

    fn choose(
        &mut self,
        places: &[[f64; 2]],
        text: &str,
        w: f64,
        paint: &str,
        anyway: bool,
        out: &mut String,
    ) -> bool {
        let rect = |[x, y]: [f64; 2]| [x, y, w, 16.0];
        let inside = |r: &Rect| {
            let [left, top, width, height] = self.room;
            r[0] >= left && r[1] >= top && r[0] + r[2] <= left + width && r[1] + r[3] <= top + height
        };
        let free = |r: &Rect| self.taken.iter().all(|t| !overlap(t, r));
        let fitting: Vec<Rect> = places.iter().map(|p| rect(*p)).filter(inside).collect();
        let found = fitting.iter().copied().find(free).or(fitting.first().copied().filter(|_| anyway));
        let Some(found) = found else { return false };
        self.taken.push(found);
        // From the middle, so that letters wider or narrower than guessed do no harm on one side only.
        let _ = write!(out, "{}", rimmed(found[0] + 0.5 * w, found[1] + 12.0, "middle", paint, text));
        true
    }
}

fn width_of(text: &str) -> f64 {
    text.width() as f64 * COLUMN * SIZE + 2.0
}

fn overlap(a: &Rect, b: &Rect) -> bool {
    a[0] < b[0] + b[2] && b[0] < a[0] + a[2] && a[1] < b[1] + b[3] && b[1] < a[1] + a[3]
}
