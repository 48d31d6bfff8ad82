//! A checksum that holds: every algorithm of the table over every span, on a few frames first, and
//! the ones that hold there on many.
//!
//! Where the frame starts is not known yet, so spans run over two frames that follow each other.
//! A checksum is looked for only where the next column is constant (a trailer, or the next frame's preamble)
//! and its own columns take many values.

use super::columns::Column;
use super::fold::Fold;
use crate::checksum::{ByteOrder, Checksum, ChecksumAlgorithm, checksum_algorithms};
use crate::layout::read_bits;

/// Frames of the first look.
const FIRST_LOOK: usize = 8;
/// Frames of the second look.
const SECOND_LOOK: usize = 80;
/// Share of the frames of the second look that must hold: the others may be damaged.
const HOLDS: f64 = 0.3;
/// Frames with one and the same value that show that it is covered.
const AGAIN: usize = 3;
/// The shortest span worth a checksum.
const MIN_SPAN: usize = 3;

/// A checksum with its place.
#[derive(Clone, Debug)]
pub(in crate::learn) struct Sum {
    pub(in crate::learn) algorithm: &'static ChecksumAlgorithm,
    pub(in crate::learn) order: ByteOrder,
    /// Column of its first byte.
    pub(in crate::learn) at: usize,
    /// Number of bytes before it that it covers.
    pub(in crate::learn) span: usize,
    pub(in crate::learn) holds: usize,
    pub(in crate::learn) tried: usize,
}

impl Sum {
    pub(in crate::learn) fn width(&self) -> usize {
        self.algorithm.bytes()
    }

    /// Whether it holds on a frame that begins with the whole of its span.
    pub(in crate::learn) fn holds(&self, checksum: &Checksum, frame: &[u8]) -> bool {
        let Some(from) = self.at.checked_sub(self.span) else { return false };
        let found = read_bits(&frame[self.at..self.at + self.width()], self.order);
        found == checksum.of(&frame[from..self.at])
    }

    /// The first column of its span, in the fold that it was found in.
    pub(in crate::learn) fn from(&self, len: usize) -> usize {
        (self.at + len - self.span) % len
    }
}

/// All checksums that hold, best first; more than one when several give the same values here.
pub(in crate::learn) fn sums(fold: &Fold<'_>, columns: &[Column]) -> Vec<Sum> {
    let doubles: Vec<&[u8]> = (0..fold.rows())
        .filter(|&row| fold.adjacent(row))
        .map(|row| &fold.bytes[fold.starts[row]..fold.starts[row] + 2 * fold.len])
        .collect();
    // Spread over the whole capture: neighbours are too much alike to be independent proof.
    let step = (doubles.len() / SECOND_LOOK).max(1);
    let looked: Vec<&[u8]> = doubles.iter().copied().step_by(step).take(SECOND_LOOK).collect();
    if looked.len() < FIRST_LOOK {
        return Vec::new();
    }
    let built: Vec<Checksum> = checksum_algorithms().iter().map(ChecksumAlgorithm::build).collect();
    let mut found = Vec::new();
    for width in [1, 2, 4] {
        for at in places(columns, width) {
            for checksum in built.iter().filter(|c| c.algorithm().bytes() == width) {
                at_place(fold.len, &looked, checksum, at, &mut found);
            }
        }
    }
    let mut found = best_first(found, fold.len, columns);
    put_first_what_reads_more(&mut found, &doubles, fold.len);
    found
}

/// Two spans may differ by bytes that are nearly always one value, zero say, so that both hold: then the frames with another value
/// there tell, if they have it again and again. Damage strikes otherwise each time.
fn put_first_what_reads_more(found: &mut [Sum], doubles: &[&[u8]], len: usize) {
    let alone = |a: &Sum, b: &Sum| {
        let checksum = a.algorithm.build();
        let place = place_in_two(len, a.at, a.width());
        let (long, short) = (a.span.max(b.span), a.span.min(b.span));
        let holds = |row: &[u8], span: usize| {
            read_bits(&row[place..place + a.width()], a.order) == checksum.of(&row[place - span..place])
        };
        let only_a = doubles.iter().filter(|row| holds(row, a.span) && !holds(row, b.span));
        let mut between: Vec<&[u8]> = only_a.map(|row| &row[place - long..place - short]).collect();
        between.sort_unstable();
        between.chunk_by(|x, y| x == y).map(<[&[u8]]>::len).max().unwrap_or(0)
    };
    for i in 1..found.len() {
        let (first, other) = (&found[0], &found[i]);
        let is_kin = first.at == other.at
            && first.algorithm.name() == other.algorithm.name()
            && first.order == other.order
            && first.span != other.span;
        // Where a longer span alone holds its further bytes are covered; by chance one byte agrees, two hardly.
        let least = if other.span > first.span && other.width() > 1 { 1 } else { AGAIN };
        if is_kin && alone(other, first) >= least.max(2 * alone(first, other)) {
            found.swap(0, i);
        }
    }
}

/// Columns where a checksum of that width can begin.
fn places(columns: &[Column], width: usize) -> Vec<usize> {
    let len = columns.len();
    let lively = |c: &Column| !c.constant && c.distinct >= 6;
    let fits = |at: &usize| {
        columns[(at + width) % len].constant && (0..width).all(|i| lively(&columns[(at + i) % len]))
    };
    (0..len).filter(fits).collect()
}

/// Where a checksum stands in two frames that follow each other: in the second, so that its span may begin in the first.
fn place_in_two(len: usize, at: usize, width: usize) -> usize {
    if at + width <= len { at + len } else { at }
}

/// Every span before one place.
fn at_place(len: usize, looked: &[&[u8]], checksum: &Checksum, at: usize, found: &mut Vec<Sum>) {
    let width = checksum.algorithm().bytes();
    let place = place_in_two(len, at, width);
    let longest = (len - width).min(place);
    let orders: &[ByteOrder] =
        if width == 1 { &[ByteOrder::LowFirst] } else { &[ByteOrder::LowFirst, ByteOrder::HighFirst] };
    let first: Vec<&[u8]> = looked.iter().step_by((looked.len() / FIRST_LOOK).max(1)).copied().collect();
    for span in MIN_SPAN..=longest {
        let values: Vec<u32> = first.iter().map(|row| checksum.of(&row[place - span..place])).collect();
        for &order in orders {
            let found_in = |row: &[u8]| read_bits(&row[place..place + width], order);
            let hits = first.iter().zip(&values).filter(|(row, v)| found_in(row) == **v).count();
            // By chance one byte holds in one of 256 frames.
            if hits < if width == 1 { 2 } else { 1 } {
                continue;
            }
            let holds =
                looked.iter().filter(|row| found_in(row) == checksum.of(&row[place - span..place])).count();
            if holds >= 6 && holds as f64 >= HOLDS * looked.len() as f64 {
                let algorithm = checksum.algorithm();
                found.push(Sum { algorithm, order, at, span, holds, tried: looked.len() });
            }
        }
    }
}

/// Sorts by frames held, then by how natural the span is: from the start of the run of constants, or
/// right behind it, in the usual byte order, and by the table's order.
fn best_first(mut found: Vec<Sum>, len: usize, columns: &[Column]) -> Vec<Sum> {
    let most = found.iter().map(|s| s.holds).max().unwrap_or_default();
    // A longer span is damaged more often.
    found.retain(|s| s.holds * 5 >= most * 4);
    let oddness = |sum: &Sum| {
        let from = sum.from(len);
        let (here, before) = (&columns[from], &columns[(from + len - 1) % len]);
        let span = match (here.constant, before.constant) {
            // From the end of the last frame on: everything.
            _ if sum.span + sum.width() == len => 0,
            (true, false) => 0,
            (false, true) => 1,
            (true, true) => 2,
            (false, false) => 3,
        };
        span * 2 + usize::from(sum.order != sum.algorithm.default_order())
    };
    found.sort_by_key(|s| (oddness(s), std::cmp::Reverse(s.span)));
    found
}
