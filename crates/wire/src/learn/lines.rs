//! Delimited text: the skeleton that most lines share, the numbers in it, and which of them are ranges.

use std::collections::BTreeMap;
use std::ops::Range;

use hereabout_core::{MAX_ANCHORS, Timestamp};

use super::binary::{rate, unit_alternatives, unit_question, untested, value_parts};
use super::fields::{self, Field, Group, Kind};
use super::outcome::{
    Alternative, Caution, FrameGuess, LayoutKey, NotFrames, Outcome, Part, PartKind, Proposal, Question,
    Sureness, Tested, Undecided,
};
use super::proof::{read_back, unread_lines};
use super::review::{self, Review};
use super::{LearnOptions, USUAL_RATE_HZ};
use crate::Layout;

/// How the lines of one part are studied.
type Study = fn(&Context<'_>) -> Option<Outcome>;

/// Lines that a table must have.
const MIN_LINES: usize = 20;
/// Lines that are studied.
const MAX_LINES: usize = 3000;
/// Share of the lines that must be alike.
const ALIKE: f64 = 0.5;
/// Share of alike lines from which on the others are no damage.
const UNDAMAGED: f64 = 0.93;
/// Share of the lines that a skeleton must have to be considered.
const SKELETON: f64 = 0.05;
/// Travel in metres below which ranges cannot be told from other numbers.
const MIN_TRAVEL_M: f64 = 1.0;
/// Bytes of the end of a line.
const MAX_LINE_END: usize = 2;
/// Kinds of line that count as usual.
const MAX_PATTERNS: usize = 12;
/// So much of a line is compared when damage is told from another kind.
const MAX_PATTERN: usize = 120;
/// The widest spacing of range columns.
const WIDEST_STRIDE: usize = 6;

/// Learns from lines; `json` studies those that begin with a brace.
pub(super) fn learn(
    capture: &[u8],
    damaged: Option<f64>,
    times: &[(u64, Timestamp)],
    options: LearnOptions,
    json: Study,
) -> Outcome {
    let lines: Vec<&[u8]> = capture.split(|b| matches!(b, b'\n' | b'\r')).collect();
    // The first and the last may be cut.
    let whole = lines.get(1..lines.len().saturating_sub(1)).unwrap_or_default();
    let whole: Vec<&[u8]> = whole.iter().copied().filter(|l| !l.trim_ascii().is_empty()).collect();
    let total = whole.len();
    // Both ends of a long capture, so that nothing of the second half is taken on trust.
    let kept =
        [&whole[..total.min(MAX_LINES)], &whole[total.saturating_sub(MAX_LINES).max(MAX_LINES.min(total))..]];
    let all = kept.concat();
    let console = || {
        let first = lines.iter().find(|l| !l.trim_ascii().is_empty()).copied().unwrap_or_default();
        let sample = String::from_utf8_lossy(first).chars().filter(|c| !c.is_control()).take(60).collect();
        Outcome::NotFrames(match damaged {
            Some(share) => NotFrames::DamagedText { share },
            None => NotFrames::ConsoleText { sample },
        })
    };
    if total < MIN_LINES {
        return console();
    }
    let ends = [lines.first(), lines.last()].into_iter().flatten().map(|l| l.to_vec()).collect();
    let context = |studied: Range<usize>| Context {
        capture,
        ends,
        all: &all,
        studied,
        rate_hz: rate(times, total as f64),
        options,
        damaged: damaged.unwrap_or_default(),
    };
    in_parts(context(0..all.len()), json).unwrap_or_else(console)
}

/// Makes a proposal from the first half, or from the second, that holds on all lines; `None` for what is no
/// table of numbers. What only the whole shows is not proposed: nothing is left to test it on.
fn in_parts(mut context: Context<'_>, json: Study) -> Option<Outcome> {
    let len = context.all.len();
    let braces = context.all.iter().filter(|l| matches!(l.trim_ascii().first(), Some(b'{' | b'['))).count();
    let is_json = braces as f64 >= ALIKE * len as f64;
    let study = |context: &Context<'_>| if is_json { json(context) } else { text(context) };
    // Two thirds when the halves are too short; the rest is still one that the proposal was not made from.
    let mut settled: Option<Undecided> = None;
    for cut in [len / 2, len - len / 3] {
        for studied in [0..cut, len - cut..len] {
            context.studied = studied;
            let outcome = study(&context);
            match outcome {
                Some(Outcome::Proposal(_)) => return outcome,
                Some(Outcome::Undecided(u)) if u.is_settled() => settled = settled.or(Some(u)),
                _ => {}
            }
        }
        if let Some(undecided) = settled {
            return Some(Outcome::Undecided(undecided));
        }
    }
    context.studied = 0..len;
    match study(&context)? {
        Outcome::Proposal(p) => Some(Outcome::Undecided(untested(p))),
        other => Some(other),
    }
}

/// One capture of lines.
pub(super) struct Context<'a> {
    pub(super) capture: &'a [u8],
    /// The first and the last line, which may be cut.
    ends: Vec<Vec<u8>>,
    /// The whole lines; of a long capture those at its ends.
    pub(super) all: &'a [&'a [u8]],
    /// Those of them that the proposal is made from.
    pub(super) studied: Range<usize>,
    pub(super) rate_hz: Option<f64>,
    pub(super) options: LearnOptions,
    /// Share of bytes that are no text.
    pub(super) damaged: f64,
}

impl Context<'_> {
    pub(super) fn rate(&self) -> f64 {
        self.options.rate_hz.or(self.rate_hz).unwrap_or(USUAL_RATE_HZ)
    }

    /// The seq and millis columns: a step of one is the frame's number, one that agrees with the
    /// arrival times (or could be milliseconds, without them) the clock.
    pub(super) fn counters(&self, kinds: &[Kind]) -> (Option<usize>, Option<usize>) {
        let step_of = |k: &Kind| if let Kind::Counter(step) = k { Some(*step) } else { None };
        let is_clock = |step: i64| match self.rate_hz {
            Some(rate) => (step as f64 * rate / 1000.0 - 1.0).abs() < 0.05,
            None => (5..=2000).contains(&step),
        };
        let seq = kinds.iter().position(|k| step_of(k) == Some(1));
        let millis = kinds.iter().position(|k| step_of(k).is_some_and(|s| s != 1 && is_clock(s)));
        (seq, millis)
    }

    /// The outcome for the groups that were found in the studied lines of `table`.
    pub(super) fn outcome(&self, table: &LineFields, groups: Vec<Group>, form: &impl Form) -> Outcome {
        let frame_bytes = self.all.iter().map(|l| l.len()).sum::<usize>() / self.all.len().max(1);
        let undecided = |questions, alternatives| {
            let frames_seen = self.all.len();
            Outcome::Undecided(Undecided { questions, alternatives, frame_bytes, frames_seen })
        };
        let Some((studied, rivals)) = fields::choose(groups) else {
            return undecided(vec![Question::NothingMoves], Vec::new());
        };
        // The values of all lines count, not only those that the columns were chosen by.
        let (fields, kinds) = (&table.fields, &table.all_kinds);
        let again = fields::group(fields, kinds, &studied.members, self.rate(), self.options);
        let is_other = again.is_none();
        let best = again.unwrap_or(studied);
        let Some((frame, layout)) = guess(form, &best, None) else {
            return undecided(vec![Question::NothingMoves], Vec::new());
        };
        let back = read_back(&layout, self.capture);
        let review = self.review(table, &best, &frame, &layout, form);
        let mut questions = Vec::new();
        if !rivals.is_empty() || is_other {
            questions.push(Question::WhichNumbers);
        }
        if best.reading.travel / frame.unit.per_metre() < MIN_TRAVEL_M {
            questions.push(Question::LittleTravel { units: best.reading.travel });
        }
        questions.extend(unit_question(&best.units, &best.reading));
        let reads =
            back.frames.min(self.all.len() as u64) as f64 / table.alike.clamp(1, self.all.len()) as f64;
        if reads < UNDAMAGED {
            questions.push(Question::ReadsTooLittle { share: reads });
        }
        questions.extend(review.questions);
        let (tested, made) = self.tested(&layout);
        questions.extend(tested.doubt(made).filter(|_| self.studied.len() < self.all.len()));
        if let Some(question) = questions.first().cloned() {
            let about_tag = questions.iter().find(|q| matches!(q, Question::TagNumber { .. })).cloned();
            let with_tag = review.key.and_then(|at| guess(form, &best, Some(at))).zip(about_tag);
            let mut alternatives: Vec<Alternative> =
                with_tag.map(|((frame, _), question)| Alternative { frame, question }).into_iter().collect();
            alternatives.push(Alternative { frame: frame.clone(), question });
            alternatives.extend(unit_alternatives(&frame, &best.units, &best.reading));
            for rival in &rivals {
                let Some((frame, _)) = guess(form, rival, None) else { continue };
                alternatives.push(Alternative { frame: frame.clone(), question: Question::WhichNumbers });
                alternatives.extend(unit_alternatives(&frame, &rival.units, &rival.reading));
            }
            return undecided(questions, alternatives);
        }
        let rest = self.capture.len() as u64 - back.skipped.min(self.capture.len() as u64);
        Outcome::Proposal(Proposal {
            parts: self.parts(table, &best, &frame),
            cautions: self.cautions(table, &best),
            alternatives: Vec::new(),
            frames_read: back.frames,
            share_read: rest as f64 / self.capture.len().max(1) as f64,
            tested,
            rate_hz: self.rate_hz,
            frame,
        })
    }

    /// What was read of the lines that the layout was not made from, and the share that was read of those it
    /// was.
    fn tested(&self, layout: &Layout) -> (Tested, f64) {
        let frames = |lines: &[&[u8]]| read_back(layout, &lines.join(&b"\n"[..])).frames;
        let made = frames(&self.all[self.studied.clone()]);
        let rest = [&self.all[..self.studied.start], &self.all[self.studied.end..]].concat();
        let read = frames(&rest);
        let share = |frames: u64, lines: usize| (frames as f64 / lines.max(1) as f64).min(1.0);
        let made_from = share(self.studied.len() as u64, self.all.len());
        let tested = Tested { made_from, frames: read, share: share(read, rest.len()) };
        (tested, share(made, self.studied.len()))
    }

    /// What the whole capture says against reading `group` as ranges.
    fn review(
        &self,
        table: &LineFields,
        group: &Group,
        frame: &FrameGuess,
        layout: &Layout,
        form: &impl Form,
    ) -> Review {
        let others = (0..table.fields.len()).filter(|f| !group.members.contains(f));
        let columns: Vec<review::Column<'_>> = others
            .filter(|f| !table.labels.contains(f))
            .map(|at| review::Column {
                at,
                name: form.name(at),
                field: &table.fields[at],
                kind: table.all_kinds[at],
            })
            .collect();
        let is_range = |n: &f64| n.is_finite() && *n > 0.0 && !frame.no_range.contains(n);
        let range = |f: &usize| table.fields[*f].iter().map(|n| n.filter(is_range)).collect::<Field>();
        let ranges: Vec<Field> = group.members.iter().map(range).collect();
        let heard: Vec<Field> = ranges.into_iter().filter(|s| s.iter().flatten().count() >= 8).collect();
        let mut review = review::lines(&columns, &heard, &group.members, frame.unit.per_metre());
        review.questions.extend(form.doubts(group));
        let mut unread = unread_lines(layout, self.capture);
        unread.retain(|(line, _)| !self.ends.contains(line) && !form.is_without(line, group));
        let read = read_back(layout, self.capture).frames;
        let is_read = |line: &&&[u8]| read_back(layout, line).frames == 1;
        let patterns = usual_patterns(self.all.iter().filter(is_read).map(|l| pattern(l)));
        let mut lengths: Vec<usize> = self.all.iter().filter(is_read).map(|l| l.len()).collect();
        lengths.sort_unstable();
        let lines = review::Unread {
            lines: &unread,
            read,
            usual_len: lengths.get(lengths.len() / 2).copied().unwrap_or(0),
            kind: &|line| literals_of(&one_space(line)),
            is_damage: &|line| is_damage(line, &patterns),
        };
        review.questions.extend(lines.question(form.usual()));
        review
    }

    fn parts(&self, table: &LineFields, group: &Group, frame: &FrameGuess) -> Vec<Part> {
        let part = |what, sureness| Part { what, sureness };
        let mut parts = vec![part(PartKind::Lines { numbers: table.kinds.len() }, Sureness::Sure)];
        let (_, millis) = self.counters(&table.all_kinds);
        for (at, kind) in table.all_kinds.iter().enumerate().filter(|(at, _)| !group.members.contains(at)) {
            match *kind {
                Kind::Counter(step) => {
                    let is_clock = millis == Some(at);
                    parts.push(part(PartKind::Counter { at, step, is_clock }, Sureness::Sure));
                }
                Kind::Constant(value) if !table.labels.contains(&at) => {
                    let what = PartKind::ConstantField { at, value: value as i64 };
                    parts.push(part(what, Sureness::Open));
                }
                _ => {}
            }
        }
        let heard = group.reading.heard.clone();
        let sureness = if heard.len() == group.members.len() { Sureness::Sure } else { Sureness::Likely };
        parts.push(part(PartKind::Ranges { fields: group.members.len(), heard, bits: 0.0 }, sureness));
        parts.extend(value_parts(frame, &group.reading, &group.units));
        parts
    }

    fn cautions(&self, table: &LineFields, group: &Group) -> Vec<Caution> {
        let mut cautions = Vec::new();
        let silent = group.members.iter().enumerate().filter(|(i, _)| !group.reading.heard.contains(i));
        let places: Vec<_> = silent.map(|(_, &at)| at..at + 1).collect();
        if !places.is_empty() {
            cautions.push(Caution::SilentBytes { read: places.len(), places });
        }
        let share = (1.0 - table.alike as f64 / self.all.len() as f64).max(self.damaged);
        if share > 0.0 {
            cautions.push(Caution::Damaged { share });
        }
        cautions
    }
}

/// What a form of lines knows of its fields.
pub(super) trait Form {
    /// The key of its layouts.
    fn key(&self) -> LayoutKey;
    /// The layout that reads a group, and a field as the number of the tag.
    fn write(&self, group: &Group, tag: Option<usize>) -> Option<String>;
    /// What a field is called.
    fn name(&self, field: usize) -> String;
    /// What else speaks against a group.
    fn doubts(&self, group: &Group) -> Vec<Question>;
    /// Whether a line is one that is read, with none of the ranges of a group in it.
    fn is_without(&self, line: &[u8], group: &Group) -> bool;
    /// The literals of the lines that are read, where lines have them.
    fn usual(&self) -> Option<&[Vec<u8>]>;
}

/// The table that reads a group.
fn guess(form: &impl Form, group: &Group, tag: Option<usize>) -> Option<(FrameGuess, Layout)> {
    let mut no_range = group.reading.no_range.clone();
    if no_range.is_empty() {
        no_range.push(0.0);
    }
    let (key, unit) = (form.key(), group.units[0].0);
    let frame = FrameGuess { key, layout: form.write(group, tag)?, unit, no_range };
    frame.parse().ok().map(|layout| (frame, layout))
}

/// The columns of a capture of lines.
pub(super) struct LineFields {
    /// All lines that could be read.
    pub(super) fields: Vec<Field>,
    /// What they do there.
    pub(super) all_kinds: Vec<Kind>,
    /// The same, of the studied lines alone.
    pub(super) studied: Vec<Field>,
    pub(super) kinds: Vec<Kind>,
    /// Columns that are part of a name, such as the 0 of `A0:`.
    pub(super) labels: Vec<usize>,
    /// Lines that are alike.
    pub(super) alike: usize,
}

impl LineFields {
    /// A table of fields over all lines, of which the rows `studied` are those the proposal is made from.
    pub(super) fn new(fields: Vec<Field>, studied: Range<usize>) -> LineFields {
        let part: Vec<Field> = fields.iter().map(|f| f[studied.clone()].to_vec()).collect();
        let alike = fields.first().map_or(0, Vec::len);
        LineFields {
            all_kinds: fields.iter().map(fields::kind).collect(),
            kinds: part.iter().map(fields::kind).collect(),
            fields,
            studied: part,
            labels: Vec::new(),
            alike,
        }
    }
}

/// Delimited text with its literals.
struct Text<'a> {
    context: &'a Context<'a>,
    table: &'a LineFields,
    literals: &'a [Vec<u8>],
}

impl Form for Text<'_> {
    fn key(&self) -> LayoutKey {
        LayoutKey::Text
    }

    fn write(&self, group: &Group, tag: Option<usize>) -> Option<String> {
        write(self.context, self.table, self.literals, group, tag)
    }

    fn name(&self, field: usize) -> String {
        format!("number {field}")
    }

    fn doubts(&self, _group: &Group) -> Vec<Question> {
        Vec::new()
    }

    fn is_without(&self, _line: &[u8], _group: &Group) -> bool {
        false
    }

    fn usual(&self) -> Option<&[Vec<u8>]> {
        Some(self.literals)
    }
}

fn text(context: &Context<'_>) -> Option<Outcome> {
    let lines: Vec<Vec<u8>> = context.all.iter().map(|l| one_space(l)).collect();
    let literals = skeleton(&lines[context.studied.clone()])?;
    let numbers = |l: &Vec<u8>| cut(l, &literals);
    let rows: Vec<Option<Vec<Option<f64>>>> = lines.iter().map(numbers).collect();
    let fit = |part: Range<usize>| rows[part].iter().flatten().count();
    let (before, studied) = (fit(0..context.studied.start), fit(context.studied.clone()));
    if (studied as f64) < ALIKE * context.studied.len() as f64 {
        return None;
    }
    let rows: Vec<Vec<Option<f64>>> = rows.into_iter().flatten().collect();
    let fields: Vec<Field> =
        (0..literals.len() - 1).map(|f| rows.iter().map(|line| line[f]).collect()).collect();
    let mut table = LineFields::new(fields, before..before + studied);
    if !table.kinds.iter().any(|k| matches!(k, Kind::Moving(_) | Kind::Counter(_))) {
        return None;
    }
    let is_label = |f: &usize| {
        matches!(table.kinds[*f], Kind::Constant(_) | Kind::Silent)
            && table.studied[*f].iter().all(Option::is_some)
            && literals[*f].last().is_some_and(u8::is_ascii_alphabetic)
    };
    table.labels = (0..table.fields.len()).filter(is_label).collect();
    let groups = spaced_groups(context, &table);
    Some(context.outcome(&table, groups, &Text { context, table: &table, literals: &literals }))
}

/// A line with `#` for each number.
fn pattern(line: &[u8]) -> Vec<u8> {
    literals_of(&one_space(line)).join(&b'#')
}

/// The commonest patterns of lines.
fn usual_patterns(patterns: impl Iterator<Item = Vec<u8>>) -> Vec<Vec<u8>> {
    let mut seen: BTreeMap<Vec<u8>, usize> = BTreeMap::new();
    for pattern in patterns {
        *seen.entry(pattern).or_default() += 1;
    }
    let mut seen: Vec<(Vec<u8>, usize)> = seen.into_iter().collect();
    seen.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(&b.0)));
    seen.into_iter().take(MAX_PATTERNS).map(|(pattern, _)| pattern).collect()
}

/// Whether a line is one of the usual ones but for a few bytes.
fn is_damage(line: &[u8], patterns: &[Vec<u8>]) -> bool {
    let pattern = pattern(line);
    // A hurt line end is a line of its own.
    let is_end = line.len() <= MAX_LINE_END;
    is_end
        || patterns.iter().any(|usual| {
            let most = 2 + usual.len().min(MAX_PATTERN) / 8;
            edits(&pattern, usual) <= most
        })
}

/// Bytes to change, add or take away to get from one text to the other (Levenshtein 1966); of long ones only
/// the beginnings are compared.
fn edits(a: &[u8], b: &[u8]) -> usize {
    let (a, b) = (&a[..a.len().min(MAX_PATTERN)], &b[..b.len().min(MAX_PATTERN)]);
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.iter().enumerate() {
        let mut before = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let change = before + usize::from(x != y);
            before = row[j + 1];
            row[j + 1] = change.min(before + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}

/// All runs of spaces as one, none at the ends.
fn one_space(line: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(line.len());
    for &byte in line.trim_ascii() {
        if byte != b' ' || out.last() != Some(&b' ') {
            out.push(byte);
        }
    }
    out
}

/// The literals around the numbers of the fullest of the common kinds of line: one more than numbers.
fn skeleton(lines: &[Vec<u8>]) -> Option<Vec<Vec<u8>>> {
    let mut kinds: BTreeMap<Vec<Vec<u8>>, usize> = BTreeMap::new();
    for line in lines {
        *kinds.entry(literals_of(line)).or_default() += 1;
    }
    let common = kinds.into_iter().filter(|(_, n)| *n >= 3 && *n as f64 >= SKELETON * lines.len() as f64);
    let (literals, _) = common.max_by_key(|(literals, n)| (literals.len(), *n))?;
    let mut out: Vec<Vec<u8>> = Vec::new();
    for literal in literals {
        // `,,,` is three delimiters with two empty fields between them.
        let is_delimiters = literal.len() > 1
            && literal.iter().all(|b| b == &literal[0])
            && matches!(literal[0], b',' | b';' | b'|' | b'\t');
        if is_delimiters {
            out.extend(literal.iter().map(|b| vec![*b]));
        } else {
            out.push(literal);
        }
    }
    (out.len() > 1).then_some(out)
}

fn literals_of(line: &[u8]) -> Vec<Vec<u8>> {
    let mut literals = vec![Vec::new()];
    let mut at = 0;
    while at < line.len() {
        let len = number_len(&line[at..], at.checked_sub(1).map(|i| line[i]));
        if len > 0 {
            literals.push(Vec::new());
            at += len;
        } else {
            if let Some(last) = literals.last_mut() {
                last.push(line[at]);
            }
            at += 1;
        }
    }
    literals
}

/// Length of the number at the start of `bytes`; `before` is the byte before it.
fn number_len(bytes: &[u8], before: Option<u8>) -> usize {
    let is_word = |b: Option<&u8>| b.is_some_and(u8::is_ascii_alphanumeric);
    if bytes.len() >= 3
        && bytes[..3].eq_ignore_ascii_case(b"nan")
        && !is_word(before.as_ref())
        && !is_word(bytes.get(3))
    {
        return 3;
    }
    let is_signed = matches!(bytes.first(), Some(b'-' | b'+')) && !is_word(before.as_ref());
    let sign = usize::from(is_signed);
    let digits = |from: usize| bytes.iter().skip(from).take_while(|b| b.is_ascii_digit()).count();
    let whole = digits(sign);
    if whole == 0 {
        return 0;
    }
    let fraction = if bytes.get(sign + whole) == Some(&b'.') { digits(sign + whole + 1) } else { 0 };
    sign + whole + if fraction > 0 { 1 + fraction } else { 0 }
}

/// The numbers between the literals; `None` for a line that is not like that.
fn cut(line: &[u8], literals: &[Vec<u8>]) -> Option<Vec<Option<f64>>> {
    let mut rest = line.strip_prefix(literals[0].as_slice())?;
    let mut numbers = Vec::with_capacity(literals.len() - 1);
    for (index, literal) in literals[1..].iter().enumerate() {
        let is_last = index + 2 == literals.len();
        let end = match (is_last, literal.is_empty()) {
            (true, _) => rest.len().checked_sub(literal.len()).filter(|&e| rest[e..] == literal[..])?,
            // Numbers that touch each other.
            (false, true) => number_len(rest, None),
            (false, false) => memchr::memmem::find(rest, literal)?,
        };
        let text = str::from_utf8(&rest[..end]).ok()?.trim();
        numbers.push(if text.is_empty() { None } else { Some(text.parse().ok()?) });
        rest = &rest[end + literal.len()..];
    }
    Some(numbers)
}

/// Groups of evenly spaced columns; columns that are labels do not count as columns.
fn spaced_groups(context: &Context<'_>, table: &LineFields) -> Vec<Group> {
    let columns: Vec<usize> = (0..table.fields.len()).filter(|f| !table.labels.contains(f)).collect();
    let mut groups = Vec::new();
    for stride in 1..=WIDEST_STRIDE {
        for first in 0..columns.len() {
            let places: Vec<usize> =
                columns[first..].iter().step_by(stride).take(MAX_ANCHORS).copied().collect();
            for count in 1..=places.len() {
                let members = &places[..count];
                let mixed = stride == 1
                    && [2, 3].iter().any(|&s| fields::is_mixed(&table.kinds, &table.studied, members, s));
                if !mixed {
                    let rate = context.rate();
                    groups.extend(fields::group(
                        &table.studied,
                        &table.kinds,
                        members,
                        rate,
                        context.options,
                    ));
                }
            }
        }
    }
    groups
}

/// The layout that reads `group` as ranges, and the field `tag` as the number of the tag.
fn write(
    context: &Context<'_>,
    table: &LineFields,
    literals: &[Vec<u8>],
    group: &Group,
    tag: Option<usize>,
) -> Option<String> {
    let (seq, millis) = context.counters(&table.all_kinds);
    let mut tokens: Vec<String> = Vec::new();
    let mut pending = literals[0].clone();
    for field in 0..table.fields.len() {
        if table.labels.contains(&field)
            && let Some(value) = table.studied[field].iter().flatten().next()
        {
            pending.extend(format!("{value}").bytes());
        } else {
            flush(&mut tokens, &mut pending)?;
            let name = match field {
                f if group.members.contains(&f) => "range",
                f if tag == Some(f) => "tag",
                f if seq == Some(f) => "seq",
                f if millis == Some(f) => "millis",
                _ => "skip",
            };
            tokens.push(name.to_owned());
        }
        pending.extend(&literals[field + 1]);
    }
    flush(&mut tokens, &mut pending)?;
    Some(folded(&tokens))
}

fn flush(tokens: &mut Vec<String>, pending: &mut Vec<u8>) -> Option<()> {
    if pending.is_empty() {
        return Some(());
    }
    let text = String::from_utf8(std::mem::take(pending)).ok()?;
    let escaped = text.replace('\\', "\\\\").replace('\'', "\\'").replace('\t', "\\t");
    tokens.push(format!("'{escaped}'"));
    Some(())
}

/// Joins the tokens, with runs of ranges between one and the same literal as `range*N`.
fn folded(tokens: &[String]) -> String {
    let mut out: Vec<String> = Vec::new();
    let mut at = 0;
    while at < tokens.len() {
        let separator = tokens.get(at + 1);
        let mut count = 1;
        while tokens[at] == "range"
            && tokens.get(at + 2 * count).is_some_and(|t| t == "range")
            && tokens.get(at + 2 * count - 1) == separator
        {
            count += 1;
        }
        match separator {
            Some(separator) if count > 1 => {
                let delimiter_before = out
                    .last()
                    .and_then(|t| t.strip_suffix('\''))
                    .and_then(|t| [",", ";", "|", "\\t"].into_iter().find(|d| t.ends_with(d)));
                let usual = format!("'{}'", delimiter_before.unwrap_or(","));
                let by = if *separator == usual { String::new() } else { format!(" by {separator}") };
                out.push(format!("range*{count}{by}"));
            }
            _ => out.push(tokens[at].clone()),
        }
        at += 2 * count - 1;
    }
    out.join(" ")
}
