//! Epochs as the bytes that a primary anchor sends, and what can happen to those bytes.

use arrayvec::ArrayVec;
use hereabout_core::{MAX_ANCHORS, Word};
use hereabout_wire::{FieldName, FrameFields, FrameSpec, Layout, NoRange, RangeKind};

use crate::random::{Concern, Stream};
use crate::scenario::at;
use crate::{Absence, Fault, FrameText, Problem, Scenario, ScenarioProblem, SimEpoch, World};

/// What happened to a frame's bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Damage {
    /// Only the first bytes came.
    Cut {
        /// How many.
        kept: usize,
    },
    /// One bit is wrong.
    FlippedBit {
        /// Which, from the first byte's lowest.
        bit: usize,
    },
}

/// One frame with everything that is known about it.
#[derive(Clone, Debug, PartialEq)]
pub struct SimFrame {
    /// Truth and ranges. A range that no word of the frame could say is out of reach here too.
    pub epoch: SimEpoch,
    /// As sent, damage included.
    pub bytes: Vec<u8>,
    /// What was done to the bytes; a cut comes last.
    pub damage: ArrayVec<Damage, 2>,
}

/// The simulated kit. An iterator of [`SimFrame`]s.
#[derive(Clone, Debug)]
pub struct Kit {
    world: World,
    spec: FrameSpec,
    /// Range field of each anchor, in the scenario's order.
    fields: ArrayVec<usize, MAX_ANCHORS>,
    sent: u64,
    cut: Stream,
    flip: Stream,
}

impl Kit {
    /// Checks the scenario and its frame.
    ///
    /// # Errors
    /// The first problem, with its key.
    pub fn new(scenario: &Scenario) -> Result<Kit, ScenarioProblem> {
        let world = World::new(scenario)?;
        let Some(text) = &scenario.frame else { return at("frame", Problem::NoFrame) };
        let spec = frame_spec(text)?;
        let fields = fields_of_anchors(scenario, spec.layout.range_fields())?;
        check_fields(scenario, &spec, &fields)?;
        let stream = |concern| Stream::new(scenario.seed, concern, 0, 0);
        Ok(Kit { world, spec, fields, sent: 0, cut: stream(Concern::Cut), flip: stream(Concern::Flip) })
    }

    /// What the kit was made from, its faults included.
    pub fn scenario(&self) -> &Scenario {
        self.world.scenario()
    }

    /// The frame's layout, unit and "no range" words.
    pub fn spec(&self) -> &FrameSpec {
        &self.spec
    }

    /// The next epoch without its bytes; it counts as sent.
    pub fn next_epoch(&mut self) -> Option<SimEpoch> {
        self.next_frame().map(|frame| frame.epoch)
    }

    /// The next frame; `None` when the scenario's time is over.
    pub fn next_frame(&mut self) -> Option<SimFrame> {
        let mut epoch = self.world.next_epoch()?;
        let words = self.words(&mut epoch)?;
        let counter = |field, value: u64| {
            let turns = u64::from(self.spec.layout.counter_max(field)?) + 1;
            u32::try_from(value % turns).ok()
        };
        let fields = FrameFields {
            tag: Some(epoch.tag.0),
            seq: counter(FieldName::Seq, self.sent),
            millis: counter(FieldName::Millis, (epoch.at_s * 1000.0) as u64),
            words: &words,
        };
        let mut bytes = Vec::with_capacity(self.spec.layout.min_frame_len());
        // Can't fail: the fields and their limits were tried when the kit was made.
        self.spec.layout.encode(&fields, &mut bytes).ok()?;
        self.sent += 1;
        let damage = self.damage(epoch.at_s, &mut bytes);
        Some(SimFrame { epoch, bytes, damage })
    }

    /// The range words of an epoch; ranges that no word can say become absent in the epoch.
    fn words(&self, epoch: &mut SimEpoch) -> Option<ArrayVec<Word, MAX_ANCHORS>> {
        let count = self.spec.layout.range_fields();
        let mut words: ArrayVec<Word, MAX_ANCHORS> =
            (0..count).map(|i| self.spec.word(i, None)).collect::<Option<_>>()?;
        for (range, &field) in epoch.ranges.iter_mut().zip(&self.fields) {
            let Ok(raw_m) = range.raw_m else { continue };
            match said(&self.spec, field, raw_m) {
                Some(word) => words[field] = word,
                None => range.raw_m = Err(Absence::OutOfReach),
            }
        }
        Some(words)
    }

    /// Draws the same number of times for every frame, whatever the faults say.
    fn damage(&mut self, at_s: f64, bytes: &mut Vec<u8>) -> ArrayVec<Damage, 2> {
        let mut done = ArrayVec::new();
        let mut share_flipped = 0.0;
        let mut share_cut = 0.0;
        for fault in self.world.scenario().faults.iter().filter(|fault| fault.is_on(at_s)) {
            match fault {
                Fault::FlippedBits { share, .. } => share_flipped = share.max(share_flipped),
                Fault::CutFrames { share, .. } => share_cut = share.max(share_cut),
                _ => {}
            }
        }
        let (flips, bit) = (self.flip.uniform() < share_flipped, self.flip.below(bytes.len() * 8));
        if flips && !bytes.is_empty() {
            bytes[bit / 8] ^= 1 << (bit % 8);
            done.push(Damage::FlippedBit { bit });
        }
        let (cuts, dropped) = (self.cut.uniform() < share_cut, self.cut.below(bytes.len().saturating_sub(1)));
        if cuts && bytes.len() > 1 {
            let kept = bytes.len() - 1 - dropped;
            bytes.truncate(kept);
            done.push(Damage::Cut { kept });
        }
        done
    }
}

impl Iterator for Kit {
    type Item = SimFrame;

    fn next(&mut self) -> Option<SimFrame> {
        self.next_frame()
    }
}

/// The word for a range: never one that would be read as "no range". `None` when the field is too small.
fn said(spec: &FrameSpec, field: usize, range_m: f64) -> Option<Word> {
    let unit_m = 1.0 / spec.unit.per_metre();
    // A list of "no range" words may hold neighbours; three steps pass any that someone writes.
    (0..4).find_map(|step| {
        spec.word(field, Some(range_m + f64::from(step) * unit_m)).filter(|w| spec.range_m(*w).is_some())
    })
}

fn frame_spec(text: &FrameText) -> Result<FrameSpec, ScenarioProblem> {
    let (key, parsed) = match (&text.layout, &text.layout_text, &text.layout_json) {
        (Some(source), None, None) => ("frame.layout", Layout::parse_binary(source)),
        (None, Some(source), None) => ("frame.layout_text", Layout::parse_text(source)),
        (None, None, Some(source)) => ("frame.layout_json", Layout::parse_json(source)),
        _ => return at("frame", Problem::LayoutCount),
    };
    let layout = match parsed {
        Ok(layout) => layout,
        Err(e) => return at(key, Problem::Layout(Box::new(e))),
    };
    let unit = match text.unit.parse() {
        Ok(unit) => unit,
        Err(e) => return at("frame.unit", Problem::Unit(e)),
    };
    let is_integer = matches!(layout.range_kind(0), Some(RangeKind::Integer { .. }));
    let no_range = match text.no_range.as_slice() {
        [] if is_integer => NoRange::new([0.0]),
        words => NoRange::new(words.iter().copied()),
    };
    Ok(FrameSpec { layout, unit, no_range })
}

/// The range field of each anchor: its slot; else its id when all ids without a slot are field
/// numbers; else file order. The same rule as a site's.
fn fields_of_anchors(
    scenario: &Scenario,
    fields: usize,
) -> Result<ArrayVec<usize, MAX_ANCHORS>, ScenarioProblem> {
    let ids_fit = scenario.anchors.iter().all(|a| a.slot.is_some() || usize::from(a.id) < fields);
    let mut taken = ArrayVec::<usize, MAX_ANCHORS>::new();
    for (i, anchor) in scenario.anchors.iter().enumerate() {
        let field = anchor.slot.unwrap_or(if ids_fit { usize::from(anchor.id) } else { i });
        if field >= fields || taken.contains(&field) {
            let key = if anchor.slot.is_some() { "slot" } else { "id" };
            return at(format!("anchor[{i}].{key}"), Problem::NoField { id: anchor.id, fields });
        }
        taken.push(field);
    }
    Ok(taken)
}

/// Whether a frame without any range can be sent and is read as one.
fn can_say_nothing(spec: &FrameSpec) -> bool {
    let count = spec.layout.range_fields();
    let words: Option<ArrayVec<Word, MAX_ANCHORS>> = (0..count).map(|i| spec.word(i, None)).collect();
    let counters = FrameFields { tag: Some(0), seq: Some(0), millis: Some(0), words: &[] };
    words.is_some_and(|words| {
        words.iter().all(|word| spec.range_m(*word).is_none())
            && spec.layout.encode(&FrameFields { words: &words, ..counters }, &mut Vec::new()).is_ok()
    })
}

/// Whether the frame can say all that the scenario needs.
fn check_fields(scenario: &Scenario, spec: &FrameSpec, fields: &[usize]) -> Result<(), ScenarioProblem> {
    if !can_say_nothing(spec) {
        let word = spec.no_range.numbers().first().copied().unwrap_or(f64::NAN);
        return at("frame.no_range", Problem::NoRangeWord { word });
    }
    for &field in fields {
        if let Some(RangeKind::Integer { max, .. }) = spec.layout.range_kind(field) {
            let most_m = max as f64 / spec.unit.per_metre();
            if most_m < scenario.max_range_m {
                return at("max_range_m", Problem::FieldTooSmall { most_m });
            }
        }
    }
    let tag_max = spec.layout.counter_max(FieldName::Tag);
    for (i, tag) in scenario.tags.iter().enumerate() {
        // Frames without a tag field are tag 0's.
        if tag.id > tag_max.unwrap_or(0) {
            return at(format!("tag[{i}].id"), Problem::NoTagField { id: tag.id });
        }
    }
    Ok(())
}
