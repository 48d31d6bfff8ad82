//! Invented frame layouts and the streams of a tag that drives about, for the tests and benches of
//! the learner. Everything comes from a seed; no layout here is any module's.
//!
//! The encoder is a second, independent one: frames are put together byte by byte, so that a mistake
//! in the layout language cannot hide behind itself.
#![expect(dead_code, reason = "each test and bench that includes this file uses a part of it")]

use std::f64::consts::TAU;

use hereabout_wire::{Unit, checksum_algorithms};

/// SplitMix64 (Steele, Lea, Flood 2014): small, and good enough to invent things.
pub(crate) struct Random(u64);

impl Random {
    pub(crate) fn new(seed: u64) -> Random {
        Random(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x5DEE_CE66)
    }

    pub(crate) fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// From 0 (inclusive) to 1 (exclusive).
    pub(crate) fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// A whole number below `n`.
    pub(crate) fn below(&mut self, n: usize) -> usize {
        (self.bits() % n as u64) as usize
    }

    pub(crate) fn chance(&mut self, p: f64) -> bool {
        self.unit() < p
    }

    pub(crate) fn pick<T: Copy>(&mut self, from: &[T]) -> T {
        from[self.below(from.len())]
    }

    /// Standard normal (Box and Muller 1958).
    pub(crate) fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.unit()).ln()).sqrt() * (TAU * self.unit()).cos()
    }
}

/// Type of the range words.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Number {
    U16,
    U24,
    U32,
    F32,
}

impl Number {
    pub(crate) fn bytes(self) -> usize {
        match self {
            Number::U16 => 2,
            Number::U24 => 3,
            Number::U32 | Number::F32 => 4,
        }
    }
}

/// What an absent anchor sends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Absent {
    Zero,
    Ones,
    Nan,
    MinusOne,
    Nothing,
}

/// One part of an invented frame.
#[derive(Clone, Debug)]
pub(crate) enum Piece {
    Byte(u8),
    /// A byte of its own in each frame: these in turn, over and over.
    Each(Vec<u8>),
    /// A frame counter of so many bytes.
    Seq(usize),
    /// A millisecond clock of so many bytes.
    Millis(usize),
    /// All ranges, each followed by a byte of signal quality if so.
    Ranges {
        quality: bool,
    },
    /// A checksum from byte `from` on, by its row in the table.
    Sum {
        row: usize,
        from: usize,
    },
}

/// An invented binary layout.
#[derive(Clone, Debug)]
pub(crate) struct Kit {
    pub(crate) pieces: Vec<Piece>,
    pub(crate) number: Number,
    pub(crate) big_endian: bool,
    pub(crate) unit: Unit,
    pub(crate) absent: Absent,
    pub(crate) slots: usize,
}

/// How a tag and its anchors behave.
#[derive(Clone, Debug)]
pub(crate) struct Scene {
    /// Which anchors are ever heard.
    pub(crate) alive: Vec<bool>,
    pub(crate) seconds: f64,
    pub(crate) rate_hz: f64,
    pub(crate) noise_m: f64,
    pub(crate) speed_mps: f64,
    /// Share of single ranges that are missing.
    pub(crate) dropouts: f64,
    /// Share of ranges that are late.
    pub(crate) late: f64,
    pub(crate) size_m: (f64, f64),
}

impl Scene {
    pub(crate) fn usual(slots: usize) -> Scene {
        Scene {
            alive: vec![true; slots],
            seconds: 20.0,
            rate_hz: 10.0,
            noise_m: 0.05,
            speed_mps: 0.8,
            dropouts: 0.02,
            late: 0.05,
            size_m: (14.0, 9.0),
        }
    }
}

/// Ranges of every frame, in metres; `None` for no range.
pub(crate) fn walk(scene: &Scene, random: &mut Random) -> Vec<Vec<Option<f64>>> {
    let (width, depth) = scene.size_m;
    let place = |random: &mut Random| [random.between(0.0, width), random.between(0.0, depth)];
    let slots = scene.alive.len();
    let anchors: Vec<[f64; 2]> = (0..slots)
        .map(|i| {
            // Along the four sides in turn, with a little disorder.
            let along = (i as f64 + random.between(0.1, 0.9)) / slots as f64 * 4.0;
            let (side, t) = (along as usize % 4, along.fract());
            [[t * width, 0.0], [width, t * depth], [(1.0 - t) * width, depth], [0.0, (1.0 - t) * depth]][side]
        })
        .collect();
    let mut at = place(random);
    let mut goal = place(random);
    let mut rows = Vec::new();
    for _ in 0..(scene.seconds * scene.rate_hz) as usize {
        let step = scene.speed_mps / scene.rate_hz;
        let (dx, dy) = (goal[0] - at[0], goal[1] - at[1]);
        let left = (dx * dx + dy * dy).sqrt();
        if left <= step {
            goal = place(random);
        } else {
            at = [at[0] + dx / left * step, at[1] + dy / left * step];
        }
        let range = |(anchor, alive): (&[f64; 2], &bool), random: &mut Random| {
            let (dx, dy) = (anchor[0] - at[0], anchor[1] - at[1]);
            let mut range = (dx * dx + dy * dy + 1.7 * 1.7).sqrt() + scene.noise_m * random.normal();
            if random.chance(scene.late) {
                range += 0.2 - 0.6 * (1.0 - random.unit()).ln();
            }
            let missing = random.chance(scene.dropouts);
            (*alive && !missing).then_some(range.max(0.05))
        };
        rows.push(anchors.iter().zip(&scene.alive).map(|pair| range(pair, random)).collect());
    }
    rows
}

/// A stream of bytes with its truth.
#[derive(Clone, Debug, Default)]
pub(crate) struct Stream {
    pub(crate) bytes: Vec<u8>,
    /// First byte of every frame.
    pub(crate) starts: Vec<usize>,
    /// Ranges as the frames carry them, in metres.
    pub(crate) ranges: Vec<Vec<Option<f64>>>,
}

impl Kit {
    /// A layout by chance, for `slots` anchors.
    pub(crate) fn invent(random: &mut Random, slots: usize) -> Kit {
        let number =
            random.pick(&[Number::U16, Number::U16, Number::U16, Number::U24, Number::U32, Number::F32]);
        let unit = if number == Number::F32 { Unit::M } else { random.pick(&[Unit::Cm, Unit::Mm]) };
        let absent = match number {
            Number::F32 => random.pick(&[Absent::Zero, Absent::Nan, Absent::MinusOne]),
            _ => random.pick(&[Absent::Zero, Absent::Ones]),
        };
        let mut pieces = Vec::new();
        let byte = |random: &mut Random| 0x10 + random.below(0xEF) as u8;
        let mark = 1 + random.below(4);
        pieces.extend((0..mark).map(|_| Piece::Byte(byte(random))));
        if random.chance(0.3) {
            // The number of the only tag.
            pieces.push(Piece::Byte(random.below(4) as u8));
        }
        if random.chance(0.6) {
            pieces.push(Piece::Seq(random.pick(&[1, 1, 2])));
        }
        if random.chance(0.2) {
            pieces.push(Piece::Millis(random.pick(&[2, 4])));
        }
        if random.chance(0.2) {
            pieces.push(Piece::Byte(byte(random)));
        }
        pieces.push(Piece::Ranges { quality: random.chance(0.15) });
        if random.chance(0.15) {
            pieces.push(Piece::Byte(byte(random)));
        }
        let has_sum = random.chance(if mark == 1 { 0.85 } else { 0.65 });
        if has_sum {
            let row = match random.below(4) {
                0 => 0,
                1 => 1,
                _ => random.below(checksum_algorithms().len()),
            };
            pieces.push(Piece::Sum { row, from: random.pick(&[0, 0, mark]) });
        }
        if random.chance(0.3) {
            pieces.extend(
                random.pick(&[&[0x0A_u8][..], &[0x0D, 0x0A], &[0xB7]]).iter().map(|b| Piece::Byte(*b)),
            );
        }
        Kit { pieces, number, big_endian: random.chance(0.5), unit, absent, slots }
    }

    /// Frames that carry `rows`.
    pub(crate) fn stream(&self, rows: &[Vec<Option<f64>>], rate_hz: f64, random: &mut Random) -> Stream {
        let mut out = Stream::default();
        let first = random.below(60_000);
        for (n, row) in rows.iter().enumerate() {
            out.starts.push(out.bytes.len());
            let start = out.bytes.len();
            let mut carried = Vec::new();
            for piece in &self.pieces {
                match piece {
                    Piece::Byte(byte) => out.bytes.push(*byte),
                    Piece::Each(bytes) => out.bytes.push(bytes[n % bytes.len()]),
                    Piece::Seq(bytes) => self.put(&mut out.bytes, (first + n) as u32, *bytes),
                    Piece::Millis(bytes) => {
                        let jitter = random.below(3) as f64 - 1.0;
                        let ms = (first * 100) as f64 + n as f64 * 1000.0 / rate_hz + jitter;
                        self.put(&mut out.bytes, ms as u32, *bytes);
                    }
                    Piece::Ranges { quality } => {
                        for range in row {
                            carried.push(self.put_range(&mut out.bytes, *range));
                            if *quality {
                                let level = range.map_or(0.0, |r| 90.0 - 2.0 * r + 1.5 * random.normal());
                                out.bytes.push(level.clamp(0.0, 255.0) as u8);
                            }
                        }
                    }
                    Piece::Sum { row, from } => {
                        let sum = checksum_algorithms()[*row].build();
                        let value = sum.of(&out.bytes[start + from..]);
                        let low_first =
                            sum.algorithm().default_order() == hereabout_wire::ByteOrder::LowFirst;
                        put(&mut out.bytes, value, sum.algorithm().bytes(), !low_first);
                    }
                }
            }
            out.ranges.push(carried);
        }
        out
    }

    /// Puts a range, and returns it as the word says it.
    fn put_range(&self, out: &mut Vec<u8>, range: Option<f64>) -> Option<f64> {
        let scale = self.unit.per_metre();
        let bits = match (range, self.number) {
            (Some(m), Number::F32) => ((m * scale) as f32).to_bits(),
            (Some(m), _) => (m * scale).round() as u32,
            (None, number) => match (self.absent, number) {
                (Absent::Ones, _) => u32::MAX,
                (Absent::Nan, _) => f32::NAN.to_bits(),
                (Absent::MinusOne, Number::F32) => (-1.0_f32).to_bits(),
                (Absent::MinusOne, _) => u32::MAX,
                (Absent::Zero | Absent::Nothing, _) => 0,
            },
        };
        self.put(out, bits, self.number.bytes());
        range?;
        Some(
            if self.number == Number::F32 { f64::from(f32::from_bits(bits)) } else { f64::from(bits) }
                / scale,
        )
    }

    fn put(&self, out: &mut Vec<u8>, value: u32, bytes: usize) {
        put(out, value, bytes, self.big_endian);
    }
}

fn put(out: &mut Vec<u8>, value: u32, bytes: usize, big_endian: bool) {
    if big_endian {
        out.extend_from_slice(&value.to_be_bytes()[4 - bytes..]);
    } else {
        out.extend_from_slice(&value.to_le_bytes()[..bytes]);
    }
}

/// What happens to the bytes on their way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Harm {
    None,
    /// One byte in a hundred has one bit flipped.
    Flips,
    /// One byte in a hundred is lost.
    Losses,
}

pub(crate) fn harmed(bytes: &[u8], harm: Harm, random: &mut Random) -> Vec<u8> {
    let mut out = Vec::with_capacity(bytes.len());
    for &byte in bytes {
        let hit = random.chance(0.01);
        match harm {
            Harm::Flips if hit => out.push(byte ^ (1 << random.below(8))),
            Harm::Losses if hit => {}
            _ => out.push(byte),
        }
    }
    out
}
