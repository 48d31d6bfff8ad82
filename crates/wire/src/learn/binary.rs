//! Binary streams: from the fold to a proposal that reads its own capture.

use std::collections::BTreeSet;
use std::ops::Range;

use hereabout_core::{Timestamp, Word};

use super::bytes::arrays::{self, Array, Found};
use super::bytes::columns::{self, Column, Counter};
use super::bytes::compose::{self, FrameStructure, MAX_PREAMBLE_BYTES};
use super::bytes::fold::{self, Fold};
use super::bytes::period;
use super::bytes::sums::{self, Sum};
use super::outcome::{
    Alternative, Caution, FrameGuess, LayoutKey, NotFrames, Outcome, Part, PartKind, Proposal, Question,
    Sureness, Tested, Undecided,
};
use super::proof::{ReadBack, Row, read_back};
use super::review::{self, Review};
use super::series::{self, Reading};
use super::{LearnOptions, STUDY_BYTES, USUAL_RATE_HZ, shifted};
use crate::{FieldName, Layout, Unit};

/// Share of the undamaged frames that a proposal must read.
const MUST_READ: f64 = 0.93;
/// Share of all frames that must be undamaged.
const MUST_BE_WHOLE: f64 = 0.25;
/// Travel in metres below which ranges cannot be told from other numbers.
const MIN_TRAVEL_M: f64 = 1.0;
/// Nats by which one reading of the bytes must beat another that explains them as well.
const REVEALING_NATS: f64 = 9.0;
/// Bits from which on a constant column counts as a part of a mark.
const SAYS_SOMETHING: f64 = 1.0;
/// So many lively bytes may go unexplained, in any frame.
const MAX_UNEXPLAINED: usize = 5;
/// Frames without damage that a study needs.
const MIN_ROWS: usize = 12;
/// The most values of a byte that may tell tags apart, with a few damaged ones.
const MAX_KEYS: usize = 8;
/// The most tags in turn that are looked for.
const MAX_IN_TURN: usize = 4;
/// The most bytes by which their frames differ throughout.
const MAX_OTHER: usize = 2;
/// The most alternatives of one kind.
const MAX_RIVALS: usize = 6;

pub(super) fn learn(capture: &[u8], times: &[(u64, Timestamp)], options: LearnOptions) -> Outcome {
    if shifted::is_stretched(capture) {
        return Outcome::NotFrames(NotFrames::WrongBaud { shift: None });
    }
    let Some(outcome) = study(capture, times, options) else {
        return match shifted::shift(capture, |bytes| study(bytes, &[], options)) {
            Some(bits) => wrong_baud(bits),
            None if shifted::is_even(capture) => Outcome::NotFrames(NotFrames::Rubbish),
            None => Outcome::NotFrames(NotFrames::WrongBaud { shift: None }),
        };
    };
    if shifted::is_suspect(&outcome, capture) {
        return shifted::shift(capture, |bytes| study(bytes, &[], options)).map_or(outcome, wrong_baud);
    }
    outcome
}

fn wrong_baud(bits: u32) -> Outcome {
    Outcome::NotFrames(NotFrames::WrongBaud { shift: Some(bits) })
}

fn has_answers(outcome: &Outcome) -> bool {
    match outcome {
        Outcome::Proposal(_) => true,
        Outcome::Undecided(undecided) => !undecided.alternatives.is_empty(),
        Outcome::NotFrames(_) => false,
    }
}

/// Makes a proposal from the first half, or from the second, that holds on all of the capture; `None`
/// when nothing repeats. What only the whole shows is not proposed: nothing is left to test it on.
pub(super) fn study(capture: &[u8], times: &[(u64, Timestamp)], options: LearnOptions) -> Option<Outcome> {
    let len = capture.len();
    let head = 0..len.min(STUDY_BYTES);
    let tail = len - len.min(STUDY_BYTES)..len;
    let mut best: Option<Outcome> = None;
    // Two thirds when the halves are too short; the rest is still one that the proposal was not made from.
    for cut in [len / 2, len - len / 3] {
        let first = (0..cut.min(head.end), head.clone());
        let last = ((len - cut).max(tail.start)..len, tail.clone());
        for (studied, around) in [first, last] {
            let outcome = part(capture, studied, around, times, options);
            if matches!(outcome, Some(Outcome::Proposal(_))) {
                return outcome;
            }
            if !best.as_ref().is_some_and(has_answers) {
                best = outcome.or(best);
            }
        }
        if matches!(&best, Some(Outcome::Undecided(u)) if u.is_settled()) {
            return best;
        }
    }
    let whole = part(capture, head.clone(), head, times, options);
    match whole {
        Some(Outcome::Proposal(p)) => Some(Outcome::Undecided(untested(p))),
        // The whole knows most of what it may be.
        Some(whole) if has_answers(&whole) => Some(whole),
        whole => best.or(whole),
    }
}

/// A proposal that could not be tested.
pub(super) fn untested(proposal: Proposal) -> Undecided {
    let length = |p: &Part| if let PartKind::FrameLength { bytes } = p.what { Some(bytes) } else { None };
    let mut alternatives = vec![Alternative { frame: proposal.frame, question: Question::NothingToTestOn }];
    alternatives.extend(proposal.alternatives);
    Undecided {
        questions: vec![Question::NothingToTestOn],
        alternatives,
        frame_bytes: proposal.parts.iter().find_map(length).unwrap_or_default(),
        frames_seen: usize::try_from(proposal.frames_read).unwrap_or(usize::MAX),
    }
}

/// Tries the likely frame lengths of one part of the capture; `around` is the part whose values are read.
fn part(
    capture: &[u8],
    studied: Range<usize>,
    around: Range<usize>,
    times: &[(u64, Timestamp)],
    options: LearnOptions,
) -> Option<Outcome> {
    let bytes = &capture[studied.clone()];
    let mut first = None;
    for len in period::periods(bytes).into_iter().flat_map(|len| turns(bytes, len).into_iter().chain([len])) {
        let Some(fold) = fold::fold(bytes, len) else { continue };
        let Some(all) = fold::fold(&capture[around.clone()], len) else { continue };
        let all = all.in_phase_with(&fold, studied.start - around.start);
        let study = Study::new(capture, &fold, (&all, around.start), times, options);
        let outcome = Study { made_from: studied.clone(), ..study }.outcome();
        if has_answers(&outcome) {
            return Some(outcome);
        }
        first = first.or(Some(outcome));
    }
    first
}

/// The length of one frame, where `len` is that of several in turn that are alike but for a byte or two: those
/// of tags, or of groups of anchors, strictly in turn.
fn turns(bytes: &[u8], len: usize) -> Option<usize> {
    let parts = (2..=MAX_IN_TURN).filter(|parts| len.is_multiple_of(*parts));
    let fold = parts.clone().next().and_then(|_| fold::fold(bytes, len))?;
    let columns = columns::columns(&fold.trusted(|_| true));
    let are_alike = |parts: &usize| {
        let one = len / parts;
        let (mut same, mut other, mut unlike) = (0, 0, 0);
        for at in 0..one {
            let column = |i: usize| columns[at + i * one];
            let all = |is: &dyn Fn(&Column) -> bool| (0..*parts).all(|i| is(&column(i)));
            match () {
                () if all(&|c| c.constant && c.mode == column(0).mode) => same += 1,
                () if all(&|c| c.constant) => other += 1,
                () if all(&|c| !c.constant) => {}
                () => unlike += 1,
            }
        }
        same >= 1 && (1..=MAX_OTHER).contains(&other) && unlike * 8 <= one
    };
    parts.clone().find(are_alike).map(|parts| len / parts)
}

/// One capture with its frames laid out.
struct Study<'a> {
    capture: &'a [u8],
    /// The frames that the layout is made from.
    fold: &'a Fold<'a>,
    /// The frames that its values are read from, cut at the same column.
    all: &'a Fold<'a>,
    /// Where the bytes of `all` begin in the capture.
    base: usize,
    /// The part of the capture that the layout is made from.
    made_from: Range<usize>,
    options: LearnOptions,
    rate_hz: Option<f64>,
    /// Column at which frames start by the idle gaps.
    idle_start: Option<usize>,
    columns: Vec<Column>,
    sums: Vec<Sum>,
    /// -log2 of the share of each byte value.
    surprise: [f64; 256],
}

/// One reading of the frames, tried on the capture.
struct Trial {
    structure: FrameStructure,
    /// Places of words that may belong to absent anchors.
    silent: Vec<usize>,
    guess: FrameGuess,
    reading: Reading,
    units: Vec<(Unit, f64)>,
    back: ReadBack,
    /// Share of whole frames that are read, less false ones.
    reads: f64,
    /// Share of frames that are whole.
    whole: f64,
    /// What the whole capture says against it.
    review: Review,
}

impl<'a> Study<'a> {
    fn new(
        capture: &'a [u8],
        fold: &'a Fold<'a>,
        (all, base): (&'a Fold<'a>, usize),
        times: &[(u64, Timestamp)],
        options: LearnOptions,
    ) -> Study<'a> {
        let columns = columns::columns(&fold.trusted(|_| true));
        let sums = sums::sums(fold, &columns);
        let rate_hz = rate(times, capture.len() as f64 / fold.len as f64);
        let idle_start = idle_start(all, base, times, rate_hz);
        let surprise = period::surprise(fold.bytes);
        let made_from = 0..capture.len();
        Study { capture, fold, all, base, made_from, options, rate_hz, idle_start, columns, sums, surprise }
    }

    fn outcome(&self) -> Outcome {
        let (start, other_start) = self.starts();
        let Some((found, base)) = self.found(start) else { return self.nothing(Question::NothingMoves) };
        let mut questions = Vec::new();
        let mut trials: Vec<Trial> = Vec::new();
        trials.extend(self.trial(start, &base, &found, &found.best));
        let others = found.rivals.iter().chain(&found.left_out).take(MAX_RIVALS);
        trials.extend(others.filter_map(|array| self.trial(start, &base, &found, array)));
        if trials.is_empty() {
            return self.nothing(Question::NothingMoves);
        }
        keep_credible(&mut trials);
        let best = &trials[0];
        let is_proven = best.structure.array.bits >= arrays::PROVEN;
        // Where the low byte is all noise carries say little; a high byte that goes far says the rest.
        let goes_far = best.reading.travel >= 6.0 * 256.0 || best.structure.array.base.is_float();
        let is_alone = trials.len() == 1 && found.left_out.is_empty();
        match (is_alone, is_proven) {
            (true, true) => {}
            (true, false) if goes_far => {}
            (_, true) => questions.push(Question::WhichNumbers),
            (_, false) => questions.push(Question::ByteOrder),
        }
        questions.extend(self.doubts(best));
        if questions.is_empty() {
            self.proposal(best, other_start)
        } else {
            self.undecided(questions, &trials)
        }
    }

    /// What speaks against believing one reading.
    fn doubts(&self, trial: &Trial) -> Vec<Question> {
        let mut doubts = Vec::new();
        if unexplained(&trial.structure) > MAX_UNEXPLAINED.max(2 * explained(&trial.structure)) {
            doubts.push(Question::WhichNumbers);
        }
        let unit = trial.units[0].0;
        if trial.reading.travel / unit.per_metre() < MIN_TRAVEL_M {
            doubts.push(Question::LittleTravel { units: trial.reading.travel });
        }
        if let Some(question) = unit_question(&trial.units, &trial.reading) {
            doubts.push(question);
        }
        if trial.reads < MUST_READ || trial.whole < MUST_BE_WHOLE {
            doubts.push(Question::ReadsTooLittle { share: trial.reads.min(trial.whole) });
        }
        let (tested, made) = self.tested(&trial.back);
        let whole_capture = self.made_from.len() == self.capture.len();
        let untested = tested.doubt(made).filter(|_| !whole_capture);
        for question in trial.review.questions.iter().chain(&untested) {
            if !doubts.contains(question) {
                doubts.push(question.clone());
            }
        }
        doubts
    }

    /// What was read of the rest of the capture, and the share of bytes that was read of the part that the
    /// layout is made from.
    fn tested(&self, back: &ReadBack) -> (Tested, f64) {
        let (made, all, len) = (&self.made_from, self.capture.len(), self.fold.len);
        let inside = back.starts.iter().filter(|&&at| made.start <= at && at + len <= made.end).count();
        let frames = back.starts.iter().filter(|&&at| at + len <= made.start || made.end <= at).count();
        let share = |frames: usize, bytes: usize| ((frames * len) as f64 / bytes.max(1) as f64).min(1.0);
        let made_from = made.len() as f64 / all.max(1) as f64;
        let tested = Tested { made_from, frames: frames as u64, share: share(frames, all - made.len()) };
        (tested, share(inside, made.len()))
    }

    /// Column at which frames start, and another one that is nearly as likely.
    fn starts(&self) -> (usize, Option<usize>) {
        let len = self.fold.len;
        let constant = |c: usize| self.columns[c % len].constant;
        let is_line_end = |c: usize| matches!(self.columns[c % len].mode, 0x0A | 0x0D);
        let run_from = |c: usize| (0..len).take_while(|i| constant(c + i)).count();
        let (run, allowed) = match self.sums.first() {
            Some(sum) => {
                let end = (sum.at + sum.width()) % len;
                (end, len - sum.width() - sum.span)
            }
            None => {
                let run = self.weightiest_run().unwrap_or_default();
                (run, run_from(run).saturating_sub(1))
            }
        };
        let ends = (0..allowed).take_while(|i| constant(run + i) && is_line_end(run + i)).count();
        // A span that begins inside of the constants begins where the frame does.
        let by_span = self.sums.first().filter(|_| run_from(run) > allowed).map(|_| allowed);
        let start = (run + by_span.unwrap_or(ends)) % len;
        let fits = |idle: usize| (idle + 2 * len - run) % len <= allowed || self.sums.is_empty();
        if let Some(idle) = self.idle_start.filter(|idle| fits(*idle)) {
            return (idle, None);
        }
        let other = if start == run % len { None } else { Some(run % len) };
        (start, other)
    }

    /// First column of the constants that say most: the best few in a row, and what says something in
    /// front of them.
    fn weightiest_run(&self) -> Option<usize> {
        let len = self.fold.len;
        let says = |c: &usize| self.columns[c % len].constant && self.weight(*c) >= SAYS_SOMETHING;
        let window =
            |c: usize| (c..c + MAX_PREAMBLE_BYTES).take_while(says).map(|c| self.weight(c)).sum::<f64>();
        let fallback = (0..len).find(|&c| self.columns[c].constant);
        let best =
            (len..2 * len).filter(says).max_by(|&a, &b| window(a).total_cmp(&window(b)).then(b.cmp(&a)));
        let before = |best: usize| (1..MAX_PREAMBLE_BYTES).take_while(|i| says(&(best - i))).count();
        best.map(|b| (b - before(b)) % len).or(fallback)
    }

    /// How much a constant column says about where frames start.
    fn weight(&self, column: usize) -> f64 {
        match self.columns[column % self.fold.len].mode {
            0 | 0xFF => 0.2,
            // Minus one and NaN as floats end in zeros.
            0x80 | 0xBF | 0x7F | 0xC0 if self.is_beside_zeros(column) => 0.2,
            // A preamble does not repeat; the words of absent anchors do.
            mode => {
                let alike = self.columns.iter().filter(|c| c.constant && c.mode == mode).count().max(1);
                self.surprise[usize::from(mode)] / (alike * alike) as f64
            }
        }
    }

    fn is_beside_zeros(&self, column: usize) -> bool {
        let len = self.fold.len;
        let zero = |c: usize| self.columns[c % len].constant && self.columns[c % len].mode == 0;
        (1..4).any(|i| zero(column + i) || zero(column + len - i))
    }

    /// The frames cut at column `start`, with what is known of their columns, and the ranges in them.
    fn found(&self, start: usize) -> Option<(Found, Base)> {
        let turned = self.fold.turned(start);
        let len = self.fold.len;
        let sum = self.sums.first().map(|s| Sum { at: (s.at + len - start) % len, ..s.clone() });
        let checksum = sum.as_ref().map(|s| (s, s.algorithm.build()));
        let holds = |row: &[u8]| checksum.as_ref().is_none_or(|(sum, checksum)| sum.holds(checksum, row));
        let trusted = turned.trusted(holds);
        if trusted.rows() < MIN_ROWS {
            return None;
        }
        let columns = columns::columns(&trusted);
        let counters = columns::counters(&turned, &columns);
        let preamble = compose::preamble(&columns);
        let mut taken = vec![false; len];
        for column in counters.iter().flat_map(Counter::columns) {
            taken[column] = true;
        }
        for column in sum.iter().flat_map(|s| s.at..s.at + s.width()) {
            taken[column] = true;
        }
        let found = within_a_key(&trusted, &columns, &taken, preamble)?;
        Some((found, Base { columns, sum, counters, preamble, taken }))
    }

    /// Composes the layout that reads `array`, and tries it.
    fn trial(&self, start: usize, base: &Base, found: &Found, array: &Array) -> Option<Trial> {
        let mut array = array.clone();
        let silent = if array.base == found.best.base {
            arrays::widen_over_silence(&mut array, &found.silent)
        } else {
            Vec::new()
        };
        let upper = upper_bytes(&array, &self.all.turned(start), &base.columns, &base.taken);
        let mut structure = FrameStructure {
            columns: base.columns.clone(),
            preamble: base.preamble,
            trailer: base.columns.len(),
            counters: self.named(&base.counters),
            sum: base.sum.clone(),
            array,
            upper,
            tag: None,
            strict: false,
        };
        let last = structure.array.slots.last().map_or(0, |s| structure.word(s.at).end);
        let free = base.taken.iter().rposition(|t| *t).map_or(0, |c| c + 1);
        let first =
            structure.array.slots.iter().map(|s| structure.word(s.at).start).min().unwrap_or_default();
        structure.preamble = structure.preamble.min(first);
        structure.trailer = compose::trailer(&base.columns, last.max(free));
        let trial = self.tried(start, structure.clone(), silent.clone())?;
        if trial.reads >= MUST_READ {
            return Some(trial);
        }
        // Too little to hold on to: every constant byte becomes a literal.
        let strict = self.tried(start, FrameStructure { strict: true, ..structure }, silent)?;
        Some(if strict.reads > trial.reads { strict } else { trial })
    }

    fn tried(&self, start: usize, structure: FrameStructure, silent: Vec<usize>) -> Option<Trial> {
        let text = structure.layout();
        let layout = Layout::parse_binary(&text).ok()?;
        let back = read_back(&layout, self.capture);
        let rate = self.options.rate_hz.or(self.rate_hz).unwrap_or(USUAL_RATE_HZ);
        let is_float = structure.array.base.is_float();
        let largest = (!is_float).then(|| ((1_u64 << (8 * structure.width())) - 1) as f64);
        let (reads, whole, rows) = self.reads(start, &layout, &back);
        let silent_fields: Vec<usize> = (0..structure.array.slots.len())
            .filter(|&i| !structure.array.slots[i].heard && is_one_word(&rows, i))
            .collect();
        let mut reading = series::reading(&rows, &silent_fields, rate, largest);
        if !reading.no_range_seen {
            // Neither is a range that a kit can have.
            let usual = [0.0, largest.unwrap_or(-1.0)];
            reading
                .no_range
                .extend(usual.iter().filter(|w| !reading.no_range.contains(w)).copied().collect::<Vec<_>>());
        }
        let units = series::units(&reading, is_float, self.options);
        let guess = FrameGuess {
            key: LayoutKey::Binary,
            layout: text,
            unit: units[0].0,
            no_range: reading.no_range.clone(),
        };
        let review = review::binary(self.capture, &structure, &guess, &back);
        Some(Trial { structure, silent, guess, reading, units, back, reads, whole, review })
    }

    /// Share of the whole frames that the decoder found, less the false ones, the share of frames that
    /// are whole, and the ranges of these, with empty rows for the others.
    ///
    /// Only frames that follow another without a gap count as whole: after a lost byte any decoder
    /// may take one frame to find its feet.
    fn reads(&self, start: usize, layout: &Layout, back: &ReadBack) -> (f64, f64, Vec<Row>) {
        let turned = self.all.turned(start);
        let decoded: BTreeSet<usize> =
            back.starts.iter().filter_map(|start| start.checked_sub(self.base)).collect();
        let end = decoded.last().copied().unwrap_or(0);
        let first = turned.starts.first().copied().unwrap_or(0);
        let mut rows: Vec<Row> = Vec::new();
        let (mut whole, mut followed, mut found, mut cut) = (0_usize, 0_usize, 0_usize, 0_usize);
        for row in 0..turned.rows() {
            let at = turned.starts[row];
            let alone =
                if turned.adjacent(row) { read_back(layout, turned.row(row)) } else { ReadBack::default() };
            let Some(words) = alone.rows.first() else { continue };
            whole += 1;
            // Lost frames leave a gap, so that time goes on evenly.
            let index = (at - first + turned.len / 2) / turned.len;
            rows.resize(index.min(turned.rows() * 2), words.iter().map(|_| Word::Missing).collect());
            rows.push(words.clone());
            if row == 0 || !turned.adjacent(row - 1) || at > end {
                continue;
            }
            followed += 1;
            found += usize::from(decoded.contains(&at));
            cut += decoded.range(at + 1..at + turned.len).count();
        }
        let reads = (found as f64 - cut as f64) / followed.max(1) as f64;
        (reads, whole as f64 / turned.rows().max(1) as f64, rows)
    }

    /// Counters with the field that each stands for: steps of one number the frames, a clock agrees
    /// with the arrival times or, without them, has a step that milliseconds would have.
    fn named(&self, counters: &[Counter]) -> Vec<(Counter, Option<FieldName>)> {
        let mut free = vec![FieldName::Seq, FieldName::Millis];
        let field = |counter: &Counter| match (counter.step, self.rate_hz) {
            (1, _) => Some(FieldName::Seq),
            (step, Some(rate)) => {
                ((step as f64 * rate / 1000.0 - 1.0).abs() < 0.05).then_some(FieldName::Millis)
            }
            (step, None) => (counter.width >= 2 && (5..=2000).contains(&step)).then_some(FieldName::Millis),
        };
        let mut name = |counter: &Counter| {
            let field = field(counter).filter(|f| free.contains(f));
            free.retain(|f| Some(*f) != field);
            field
        };
        counters.iter().map(|counter| (*counter, name(counter))).collect()
    }

    fn nothing(&self, question: Question) -> Outcome {
        Outcome::Undecided(Undecided {
            questions: vec![question],
            alternatives: Vec::new(),
            frame_bytes: self.fold.len,
            frames_seen: self.fold.rows(),
        })
    }

    fn undecided(&self, questions: Vec<Question>, trials: &[Trial]) -> Outcome {
        let mut alternatives = Vec::new();
        for (index, trial) in trials.iter().enumerate() {
            let question = if index == 0 { &questions[0] } else { &Question::WhichNumbers };
            if let Some((frame, question)) = with_tag(trial) {
                alternatives.push(Alternative { frame, question });
            }
            alternatives.push(Alternative { frame: trial.guess.clone(), question: question.clone() });
            alternatives.extend(unit_alternatives(&trial.guess, &trial.units, &trial.reading));
        }
        Outcome::Undecided(Undecided {
            questions,
            alternatives,
            frame_bytes: self.fold.len,
            frames_seen: self.fold.rows(),
        })
    }

    fn proposal(&self, trial: &Trial, other_start: Option<usize>) -> Outcome {
        let mut alternatives = Vec::new();
        if let Some((start, _)) = other_start.map(|s| (s, ())) {
            let later_by = (start + self.fold.len - self.starts().0) % self.fold.len;
            let other =
                self.found(start).and_then(|(found, base)| self.trial(start, &base, &found, &found.best));
            let question = Question::FrameStart { later_by };
            alternatives.extend(other.map(|t| Alternative { frame: t.guess, question }));
        }
        alternatives.extend(self.width_alternative(trial));
        Outcome::Proposal(Proposal {
            frame: trial.guess.clone(),
            parts: self.parts(trial),
            alternatives,
            cautions: self.cautions(trial),
            frames_read: trial.back.frames,
            share_read: trial.back.bytes as f64 / self.capture.len().max(1) as f64,
            tested: self.tested(&trial.back).0,
            rate_hz: self.rate_hz,
        })
    }

    /// The same ranges without the zero bytes above them.
    fn width_alternative(&self, trial: &Trial) -> Option<Alternative> {
        if trial.structure.upper == 0 {
            return None;
        }
        let structure = FrameStructure { upper: 0, ..trial.structure.clone() };
        let question = Question::Width { bytes: trial.structure.width(), other: structure.width() };
        let largest = |p: &FrameStructure| ((1_u64 << (8 * p.width())) - 1) as f64;
        let narrow = |n: &f64| if *n == largest(&trial.structure) { largest(&structure) } else { *n };
        let no_range = trial.guess.no_range.iter().map(narrow).collect();
        let frame = FrameGuess { layout: structure.layout(), no_range, ..trial.guess.clone() };
        Some(Alternative { frame, question })
    }

    fn parts(&self, trial: &Trial) -> Vec<Part> {
        let structure = &trial.structure;
        let part = |what, sureness| Part { what, sureness };
        let modes = |r: Range<usize>| structure.columns[r].iter().map(|c| c.mode).collect::<Vec<u8>>();
        let mut parts = vec![part(PartKind::FrameLength { bytes: self.fold.len }, Sureness::Sure)];
        let start = if self.idle_start.is_some()
            || self.sums.first().is_some_and(|s| s.span + s.width() == self.fold.len)
        {
            Sureness::Sure
        } else {
            Sureness::Likely
        };
        parts.push(part(PartKind::Preamble { bytes: modes(0..structure.preamble) }, start));
        for at in structure.preamble..structure.trailer {
            let column = structure.columns[at];
            let is_ranges = structure.array.slots.iter().any(|s| structure.word(s.at).contains(&at));
            if column.constant && column.mode != 0 && column.mode != 0xFF && !is_ranges {
                let what = PartKind::ConstantField { at, value: i64::from(column.mode) };
                parts.push(part(what, Sureness::Open));
            }
        }
        for (counter, field) in &structure.counters {
            let is_clock = *field == Some(FieldName::Millis);
            let sureness = if is_clock && self.rate_hz.is_none() { Sureness::Likely } else { Sureness::Sure };
            parts.push(part(PartKind::Counter { at: counter.at, step: counter.step, is_clock }, sureness));
        }
        let heard = trial.reading.heard.clone();
        let ranges =
            PartKind::Ranges { fields: structure.array.slots.len(), heard, bits: structure.array.bits };
        let is_sure = trial.silent.is_empty() && structure.array.bits > 3.0 * arrays::PROVEN;
        parts.push(part(ranges, if is_sure { Sureness::Sure } else { Sureness::Likely }));
        if let Some(sum) = &structure.sum {
            let what = PartKind::Checksum {
                name: sum.algorithm.name(),
                from: sum.from(self.fold.len),
                holds: sum.holds,
                tried: sum.tried,
            };
            parts.push(part(what, if self.sums.len() == 1 { Sureness::Sure } else { Sureness::Likely }));
        }
        if structure.trailer < self.fold.len {
            parts.push(part(PartKind::Trailer { bytes: modes(structure.trailer..self.fold.len) }, start));
        }
        parts.extend(value_parts(&trial.guess, &trial.reading, &trial.units));
        parts
    }

    fn cautions(&self, trial: &Trial) -> Vec<Caution> {
        let structure = &trial.structure;
        let mut cautions = Vec::new();
        if !trial.silent.is_empty() {
            let places = trial.silent.iter().map(|&at| structure.word(at)).collect();
            let read = structure.array.slots.iter().filter(|s| !s.heard).count();
            cautions.push(Caution::SilentBytes { places, read });
        }
        if structure.sum.is_none() && structure.preamble < 2 && !structure.strict {
            cautions.push(Caution::ShortPreamble { bytes: structure.preamble });
        }
        if self.sums.len() > 1 {
            cautions.push(Caution::ChecksumTwins { count: self.sums.len() - 1 });
        }
        let lost = 1.0 - trial.back.bytes as f64 / self.capture.len().max(1) as f64;
        // A part of a frame at either end is no damage.
        if lost * self.capture.len() as f64 > 2.0 * self.fold.len as f64 {
            cautions.push(Caution::Damaged { share: lost });
        }
        cautions
    }
}

/// Whether a field hardly ever says anything else than one word, in all rows.
fn is_one_word(rows: &[Row], field: usize) -> bool {
    let mut words: Vec<u64> =
        rows.iter().filter_map(|row| Some(row.get(field)?.number()?.to_bits())).collect();
    words.sort_unstable();
    let most = words.chunk_by(|a, b| a == b).map(<[u64]>::len).max().unwrap_or(0);
    most as f64 >= 0.93 * words.len() as f64
}

/// Whether a column takes many values.
fn is_lively(column: &Column) -> bool {
    !column.constant && column.distinct >= 16
}

/// Columns of heard ranges that take many values.
fn explained(structure: &FrameStructure) -> usize {
    structure
        .array
        .heard()
        .flat_map(|s| structure.word(s.at))
        .filter(|&c| is_lively(&structure.columns[c]))
        .count()
}

/// Columns that take many values and belong to nothing that was recognised.
fn unexplained(structure: &FrameStructure) -> usize {
    let counted = |c: usize| structure.counters.iter().any(|(counter, _)| counter.columns().contains(&c));
    let summed = |c: usize| structure.sum.as_ref().is_some_and(|s| (s.at..s.at + s.width()).contains(&c));
    let ranged = |c: usize| structure.array.slots.iter().any(|s| structure.word(s.at).contains(&c));
    let lively = (0..structure.columns.len()).filter(|&c| is_lively(&structure.columns[c]));
    lively.filter(|&c| !counted(c) && !summed(c) && !ranged(c)).count()
}

/// The ranges in all frames; where they prove little, those in the frames with one value of a byte of few
/// values, if they prove much more: several tags or groups of anchors in turn look like this.
fn within_a_key(trusted: &Fold<'_>, columns: &[Column], taken: &[bool], preamble: usize) -> Option<Found> {
    let plain = arrays::arrays(trusted, taken, preamble);
    let bits = |found: &Found| found.best.bits;
    if plain.as_ref().is_some_and(|f| bits(f) >= 4.0 * arrays::PROVEN) {
        return plain;
    }
    let few = |c: &usize| !columns[*c].constant && !taken[*c] && columns[*c].distinct <= MAX_KEYS;
    let one_value = |c: usize| {
        let is_it = |row: &usize| trusted.row(*row)[c] == columns[c].mode;
        let starts: Vec<usize> = (0..trusted.rows()).filter(is_it).map(|row| trusted.starts[row]).collect();
        let fold = Fold { bytes: trusted.bytes, len: trusted.len, starts };
        (fold.rows() >= MIN_ROWS).then(|| arrays::arrays(&fold, taken, preamble)).flatten()
    };
    let split = (0..trusted.len).filter(few).take(MAX_RIVALS).filter_map(one_value);
    let best = split.max_by(|a, b| bits(a).total_cmp(&bits(b)));
    let least = plain.as_ref().map_or(0.0, bits) + 2.0 * arrays::PROVEN;
    best.filter(|f| bits(f) >= least).or(plain)
}

/// What is known of the columns before the ranges are looked for.
struct Base {
    columns: Vec<Column>,
    sum: Option<Sum>,
    counters: Vec<Counter>,
    preamble: usize,
    taken: Vec<bool>,
}

/// The same reading with its likeliest key as the tag's number.
fn with_tag(trial: &Trial) -> Option<(FrameGuess, Question)> {
    let structure = FrameStructure { tag: trial.review.key, ..trial.structure.clone() };
    let is_about = |q: &&Question| matches!(q, Question::TagNumber { .. });
    let question = trial.review.questions.iter().find(is_about)?.clone();
    let frame = FrameGuess { layout: structure.layout(), ..trial.guess.clone() };
    structure.tag.and_then(|_| frame.parse().ok()).map(|_| (frame, question))
}

/// Puts the reading first whose values are most like ranges, and drops those whose values are not.
fn keep_credible(trials: &mut Vec<Trial>) {
    // That a word is a sensible float in every frame is worth something by itself.
    let sensible = |t: &Trial| if t.structure.array.base.is_float() { 10.0 } else { 0.0 };
    let nats = |t: &Trial| (t.structure.array.bits + sensible(t)) * std::f64::consts::LN_2 + t.units[0].1;
    // Bits of one and the same order say little; what the values are like says the rest.
    trials.sort_by(|a, b| nats(b).total_cmp(&nats(a)));
    let best = trials.first().map_or(0.0, nats);
    trials.retain(|t| nats(t) >= best - REVEALING_NATS);
}

/// Number of zero bytes above each word that belong to it, by the space between the words.
fn upper_bytes(array: &Array, fold: &Fold<'_>, columns: &[Column], taken: &[bool]) -> usize {
    if array.base.is_float() || array.slots.len() < 2 {
        return 0;
    }
    let is_low = array.base.is_low_first();
    let fits = |upper: usize| {
        array.slots.iter().all(|slot| {
            (0..upper).all(|i| {
                let column = if array.base.is_low_first() {
                    Some(slot.at + 2 + i)
                } else {
                    slot.at.checked_sub(i + 1)
                };
                column.is_some_and(|c| {
                    let zero = |c: &Column| c.constant && (c.mode == 0 || (!slot.heard && c.mode == 0xFF));
                    let high = if is_low { slot.at + 1 } else { slot.at };
                    columns.get(c).is_some_and(|column| zero(column) || goes_with(fold, c, high)) && !taken[c]
                })
            })
        })
    };
    (0..=2).rev().find(|&upper| array.stride >= 2 + upper && fits(upper)).unwrap_or(0)
}

/// Whether a byte is all ones where the byte `high` of a word is, and zero else: the word's "no range"
/// has it as well.
fn goes_with(fold: &Fold<'_>, column: usize, high: usize) -> bool {
    let (mut fits, mut ones) = (0, 0);
    for (byte, high) in fold.column(column).zip(fold.column(high)) {
        fits += usize::from(if high == 0xFF { byte == 0xFF } else { byte == 0 });
        ones += usize::from(byte == 0xFF);
    }
    ones > 0 && fits as f64 >= 0.96 * fold.rows() as f64
}

/// The unit question, when the margin of the best is too small.
pub(super) fn unit_question(units: &[(Unit, f64)], reading: &Reading) -> Option<Question> {
    let (&(likelier, best), &(other, next)) = (units.first()?, units.get(1)?);
    let farthest_m = reading.farthest / likelier.per_metre();
    (best - next < series::DECIDED_NATS).then_some(Question::Unit { farthest_m, likelier, other })
}

/// The same table in the units that are nearly as likely.
pub(super) fn unit_alternatives(
    guess: &FrameGuess,
    units: &[(Unit, f64)],
    reading: &Reading,
) -> Vec<Alternative> {
    let Some(question) = unit_question(units, reading) else { return Vec::new() };
    let best = units.first().map_or(0.0, |u| u.1);
    let near = units.iter().skip(1).filter(|u| best - u.1 < series::DECIDED_NATS);
    near.map(|u| Alternative { frame: FrameGuess { unit: u.0, ..guess.clone() }, question: question.clone() })
        .collect()
}

/// Unit and "no range" as parts.
pub(super) fn value_parts(guess: &FrameGuess, reading: &Reading, units: &[(Unit, f64)]) -> [Part; 2] {
    let nats = if units.len() > 1 { units[0].1 - units[1].1 } else { 0.0 };
    let sure = if nats >= 2.0 * series::DECIDED_NATS { Sureness::Sure } else { Sureness::Likely };
    let seen = reading.no_range_seen;
    let words = PartKind::NoRange { words: guess.no_range.clone(), seen };
    let known = if seen { Sureness::Likely } else { Sureness::Open };
    [
        Part { what: PartKind::Unit { unit: guess.unit, nats }, sureness: sure },
        Part { what: words, sureness: known },
    ]
}

/// Frames a second; `None` without a stretch of time.
pub(super) fn rate(times: &[(u64, Timestamp)], frames: f64) -> Option<f64> {
    let (first, last) = (times.first()?, times.last()?);
    let seconds = last.1.since(first.1).secs_f64();
    (seconds > 0.5 && last.0 > first.0).then_some(frames / seconds)
}

/// Column at which a frame starts, when reads after an idle gap agree on it.
fn idle_start(
    fold: &Fold<'_>,
    base: usize,
    times: &[(u64, Timestamp)],
    rate_hz: Option<f64>,
) -> Option<usize> {
    let half_a_frame = 0.5 / rate_hz?;
    let mut votes = vec![0_usize; fold.len];
    for pair in times.windows(2) {
        if pair[1].1.since(pair[0].1).secs_f64() < half_a_frame {
            continue;
        }
        let Some(offset) = usize::try_from(pair[1].0).ok().and_then(|at| at.checked_sub(base)) else {
            continue;
        };
        let row = fold.starts.partition_point(|&start| start <= offset);
        let Some(&start) = row.checked_sub(1).and_then(|r| fold.starts.get(r)) else { continue };
        if let Some(vote) = votes.get_mut(offset - start) {
            *vote += 1;
        }
    }
    let total: usize = votes.iter().sum();
    let (column, &most) = votes.iter().enumerate().max_by_key(|(_, n)| **n)?;
    (most >= 8 && most * 10 >= total * 6).then_some(column)
}
