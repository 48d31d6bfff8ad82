//! An own kit in a hundred lines: Larkfield's yard, a potting cart whose place is known at any time, and the bytes that a
//! module would send about it. It shares no code with the simulator of the product, so that both can't be wrong alike.
//!
//! **Model.** A range is the slant distance plus white Gaussian noise, rounded to the module's step and sent as whole
//! centimetres. Frames are measured at an even rate with 2 ms of jitter and leave the module 5 to 25 ms later. The
//! counter starts anywhere. The module's clock starts anywhere, also shortly before it wraps, and runs up to 50 ppm wrong.
//!
//! **Assumptions.** No late ranges, no lost ranges: what is tried here is time, not geometry. All times are seconds or
//! microseconds since the start of the run.
//!
//! `kit`, `script` and `gate` do no I/O and lean on `std` alone. They find each other as `super::kit`, so another
//! test may include the three side by side with `#[path]`.

/// Places of the anchors, metres east, north, up. Number 5 stands beside the roller door.
pub(crate) const ANCHORS_M: [[f64; 3]; 8] = hereabout_fixtures::YARD_M;
/// Height of the tag on the cart, metres.
pub(crate) const TAG_HEIGHT_M: f64 = 0.9;
/// South-west and north-east corner of the zone in front of the roller door, metres.
const DOOR_M: [[f64; 2]; 2] = [[9.0, 0.0], [13.0, 4.0]];
/// The zone near an anchor: the anchor, and its two distances, metres.
const POST_ANCHOR: usize = 5;
const POST_M: [f64; 2] = [1.5, 2.5];

/// SplitMix64 (Steele, Lea and Flood 2014, "Fast splittable pseudorandom number generators").
#[derive(Clone, Debug)]
pub(crate) struct Random(u64);

impl Random {
    /// The same numbers for the same seed, everywhere.
    pub(crate) fn new(seed: u64) -> Random {
        Random(seed)
    }

    /// 64 random bits.
    pub(crate) fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Uniform from `low` up to `high`.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// One of `0..n`.
    pub(crate) fn below(&mut self, n: usize) -> usize {
        (self.between(0.0, n as f64) as usize).min(n - 1)
    }

    /// Standard normal, by the method of Box and Muller (1958).
    pub(crate) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.between(0.0, 1.0)).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.between(0.0, 1.0)).cos()
    }
}

/// Microseconds of some seconds.
pub(crate) fn micros(s: f64) -> i64 {
    (s * 1e6).round() as i64
}

/// Seconds of some microseconds.
pub(crate) fn secs(us: i64) -> f64 {
    us as f64 / 1e6
}

/// What a frame carries beside its ranges.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Layout {
    /// A counter of one byte.
    Counter,
    /// A counter of two bytes and a millisecond clock.
    CounterAndClock,
    /// Neither.
    Neither,
}

impl Layout {
    /// As a site file has it.
    pub(crate) fn text(self) -> &'static str {
        match self {
            Layout::Counter => "c3 5a seq:u8 range:u16le*8 sum8 0a",
            Layout::CounterAndClock => "c3 5a seq:u16le millis:u32le range:u16le*8 sum8 0a",
            Layout::Neither => "c3 5a range:u16le*8 sum8 0a",
        }
    }

    /// The bytes of a frame.
    pub(crate) fn encode(self, frame: &Measured) -> Vec<u8> {
        let mut bytes = vec![0xC3, 0x5A];
        match self {
            Layout::Counter => bytes.push(frame.seq as u8),
            Layout::CounterAndClock => {
                bytes.extend((frame.seq as u16).to_le_bytes());
                bytes.extend(frame.millis.to_le_bytes());
            }
            Layout::Neither => {}
        }
        bytes.extend(frame.words.iter().flat_map(|w| w.to_le_bytes()));
        bytes.push(bytes.iter().fold(0, |sum: u8, b| sum.wrapping_add(*b)));
        bytes.push(0x0A);
        bytes
    }
}

/// One frame before it is put into bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Measured {
    /// When its ranges were measured.
    pub(crate) at_us: i64,
    /// How much later it leaves the module.
    pub(crate) delay_us: i64,
    /// The module's counter; cut to the width of the layout.
    pub(crate) seq: u32,
    /// The module's clock.
    pub(crate) millis: u32,
    /// Centimetres; 0 is no range.
    pub(crate) words: [u16; 8],
}

/// Where the cart is at any time: straight legs between places at which it arrives at known times.
#[derive(Clone, Debug)]
pub(crate) struct Drive(Vec<(f64, [f64; 2])>);

impl Drive {
    /// It stands there from the start.
    pub(crate) fn parked(place_m: [f64; 2]) -> Drive {
        Drive(vec![(0.0, place_m)])
    }

    /// It stays where it was last until `from_s` and drives to a place then.
    pub(crate) fn then(mut self, from_s: f64, place_m: [f64; 2], speed_mps: f64) -> Drive {
        let (at_s, last_m) = self.last();
        let from_s = from_s.max(at_s);
        self.0.push((from_s, last_m));
        self.0.push((from_s + distance_m(last_m, place_m) / speed_mps, place_m));
        self
    }

    /// From when on it stands where it is for good, seconds.
    pub(crate) fn rests_from_s(&self) -> f64 {
        self.last().0
    }

    fn last(&self) -> (f64, [f64; 2]) {
        self.0.last().copied().unwrap_or_default()
    }

    /// East and north at an instant, metres.
    pub(crate) fn at(&self, at_us: i64) -> [f64; 2] {
        let at_s = secs(at_us);
        let next = self.0.partition_point(|(t, _)| *t <= at_s);
        let (from_s, from_m) = self.0[next.saturating_sub(1)];
        let Some(&(to_s, to_m)) = self.0.get(next) else { return from_m };
        let share = ((at_s - from_s) / (to_s - from_s)).clamp(0.0, 1.0);
        [0, 1].map(|i| from_m[i] + share * (to_m[i] - from_m[i]))
    }
}

fn distance_m(a: [f64; 2], b: [f64; 2]) -> f64 {
    ((a[0] - b[0]).powi(2) + (a[1] - b[1]).powi(2)).sqrt()
}

/// The zones of the yard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Zone {
    /// The rectangle in front of the roller door.
    Door,
    /// Near the anchor beside it.
    Post,
}

impl Zone {
    /// Its name in the site file.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Zone::Door => "roller door",
            Zone::Post => "door post",
        }
    }

    /// How far outside a place is, metres; 0 or less inside. What is near an anchor ends at its larger distance.
    pub(crate) fn outside_m(self, place_m: [f64; 2]) -> f64 {
        match self {
            Zone::Door => {
                let beyond = |i: usize| (DOOR_M[0][i] - place_m[i]).max(place_m[i] - DOOR_M[1][i]);
                let (e, n) = (beyond(0), beyond(1));
                if e > 0.0 && n > 0.0 { (e * e + n * n).sqrt() } else { e.max(n) }
            }
            Zone::Post => {
                let [e, n, _] = ANCHORS_M[POST_ANCHOR];
                distance_m(place_m, [e, n]) - POST_M[1]
            }
        }
    }

    fn toml(self) -> String {
        let shape = match self {
            Zone::Door => {
                let [[w, s], [e, n]] = DOOR_M;
                format!("polygon_m = [[{w:?}, {s:?}], [{e:?}, {s:?}], [{e:?}, {n:?}], [{w:?}, {n:?}]]")
            }
            Zone::Post => {
                let [enter, leave] = POST_M;
                format!("near = {{ anchor = {POST_ANCHOR}, enter_m = {enter:?}, leave_m = {leave:?} }}")
            }
        };
        format!("\n[[zone]]\nname = \"{}\"\n{shape}\n", self.name())
    }
}

/// The text of the site file for a kit with this layout on this port.
pub(crate) fn site_text(layout: Layout, port: &str) -> String {
    let mut text = format!(
        "[site]\nname = \"Larkfield nursery\"\ndimension = \"2d\"\ntag_height_m = {TAG_HEIGHT_M:?}\n\n\
         [source]\nport = \"{port}\"\n\n[frame]\nlayout = \"{}\"\nunit = \"cm\"\nno_range = 0\n\n\
         [log]\npath = \"test.db\"\n",
        layout.text()
    );
    for zone in [Zone::Door, Zone::Post] {
        text += &zone.toml();
    }
    for (i, at_m) in ANCHORS_M.iter().enumerate() {
        text += &format!("\n[[anchor]]\nid = {i}\nat_m = {at_m:?}\n");
    }
    text
}

/// A module and the cart that carries its tag.
#[derive(Clone, Debug)]
pub(crate) struct Kit {
    /// For noise, jitter, counter and clock.
    pub(crate) seed: u64,
    /// What its frames carry.
    pub(crate) layout: Layout,
    /// Frames a second.
    pub(crate) rate_hz: f64,
    /// Standard deviation of a range, metres.
    pub(crate) noise_m: f64,
    /// To what ranges are rounded, metres.
    pub(crate) step_m: f64,
    /// Where the cart is.
    pub(crate) drive: Drive,
}

impl Kit {
    /// Ten frames a second, 4 cm of noise, centimetres.
    pub(crate) fn new(seed: u64, layout: Layout, drive: Drive) -> Kit {
        Kit { seed, layout, rate_hz: 10.0, noise_m: 0.04, step_m: 0.01, drive }
    }

    /// All frames that are measured before `until_s`.
    pub(crate) fn frames(&self, until_s: f64) -> Vec<Measured> {
        let mut random = Random::new(self.seed);
        let seq = random.bits() as u32;
        // One clock in four wraps within the first half minute.
        let millis = if random.below(4) == 0 { u32::MAX - 20_000 } else { random.bits() as u32 };
        let clock = 1.0 + random.between(-5e-5, 5e-5);
        let mut frames = Vec::new();
        for i in 0..(until_s * self.rate_hz) as u32 {
            let at_us = micros(f64::from(i) / self.rate_hz + random.between(0.0, 0.002));
            let ticks = (secs(at_us) * clock * 1e3) as u32;
            frames.push(Measured {
                at_us,
                delay_us: micros(random.between(0.005, 0.025)),
                seq: seq.wrapping_add(i),
                millis: millis.wrapping_add(ticks),
                words: self.ranges(&mut random, self.drive.at(at_us)),
            });
        }
        frames
    }

    fn ranges(&self, random: &mut Random, place_m: [f64; 2]) -> [u16; 8] {
        ANCHORS_M.map(|[e, n, u]| {
            let flat_m = distance_m(place_m, [e, n]);
            let range_m = flat_m.hypot(u - TAG_HEIGHT_M) + self.noise_m * random.normal();
            let stepped_m = (range_m / self.step_m).round() * self.step_m;
            (stepped_m * 100.0).round().clamp(1.0, 65_000.0) as u16
        })
    }
}
