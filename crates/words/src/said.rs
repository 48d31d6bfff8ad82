//! The row that every finding, refusal, warning and note becomes: code and facts for programs, words and advice for
//! people.
//!
//! A row is made by one match per family, so that a new finding is one arm there and one test. The code is fixed:
//! programs rely on it, and the words may change.

/// Stands wherever advice sends somebody up, to a gate or to a power supply.
pub const CAUTION: &str = "Ladder, gate or mains power: local codes and licensed practice come first.";

/// What a row is about; a code means one thing within its topic.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Topic {
    /// One anchor, from its ranges.
    Anchor,
    /// Whether an anchor stands where the site file says.
    Place,
    /// The kit as a whole.
    Kit,
    /// Whether ranges and site file belong to each other.
    SiteFit,
    /// What a site file says that can't be, or that has a limit.
    SiteProblem,
    /// What follows from a site before the first range comes.
    SiteFact,
    /// Numbers that people or programs give, before anything rests on them.
    Plausibility,
    /// What a calibration or a proof found.
    Calibration,
    /// What is odd about a kit that is listened to.
    Hearing,
    /// What was learnt of a capture, and what was not.
    Learn,
    /// The log and the files of it.
    Log,
    /// A text that names a source of bytes.
    Source,
    /// Why a tag has no position.
    Position,
    /// What a tag is to a zone.
    Zone,
    /// What else needs a person.
    Status,
    /// Why the service can't listen.
    Listen,
}

/// A value of a row for programs, under a name that carries its unit.
#[derive(Clone, Debug, PartialEq)]
pub enum Fact {
    /// A count, an id, a place in a frame.
    Whole(i64),
    /// A length, a share, a factor.
    Number(f64),
    /// A name.
    Text(String),
    /// Several counts or values.
    Wholes(Vec<i64>),
    /// Several lengths or shares.
    Numbers(Vec<f64>),
}

/// What is found, and what to do about it.
#[derive(Clone, Debug, PartialEq)]
pub struct Said {
    /// What it is about.
    pub topic: Topic,
    /// What it is, for programs: lower case and underscores.
    pub code: &'static str,
    /// How bad it is, 0 for the worst; `None` where a family is not ranked.
    pub rank: Option<u8>,
    /// What is found, with the evidence.
    pub words: String,
    /// What to do; empty where there is nothing to do.
    pub advice: String,
    /// What stands between words and advice where both stand on one line.
    pub between: &'static str,
    /// Whether the advice sends somebody up, to a gate or to a power supply, so that [`CAUTION`] belongs with it.
    pub on_site: bool,
    /// Facts by name, for the commands that write them; the bodies of version 1 have types of their own.
    pub facts: Vec<(&'static str, Fact)>,
}

impl Said {
    /// One whose advice sends nobody anywhere, without rank and facts.
    pub(crate) fn new(
        topic: Topic,
        code: &'static str,
        words: impl Into<String>,
        advice: impl Into<String>,
    ) -> Said {
        Said {
            topic,
            code,
            rank: None,
            words: words.into(),
            advice: advice.into(),
            between: ": ",
            on_site: false,
            facts: Vec::new(),
        }
    }

    /// The same where the advice sends somebody to the anchors.
    pub(crate) fn sending(self) -> Said {
        Said { on_site: true, ..self }
    }

    /// The same with a rank.
    pub(crate) fn ranked(self, rank: u8) -> Said {
        Said { rank: Some(rank), ..self }
    }

    /// The same with other words between words and advice, where both stand on one line.
    pub(crate) fn joined_by(self, between: &'static str) -> Said {
        Said { between, ..self }
    }

    /// The same with a fact; nothing for `None`.
    pub(crate) fn with(mut self, name: &'static str, fact: Option<Fact>) -> Said {
        self.facts.extend(fact.map(|fact| (name, fact)));
        self
    }

    /// Words and advice on one line.
    pub fn line(&self) -> String {
        match self.advice.as_str() {
            "" => self.words.clone(),
            advice => format!("{}{}{advice}", self.words, self.between),
        }
    }

    /// The advice, with [`CAUTION`] where that sends somebody to the anchors.
    pub fn advice_with_caution(&self) -> String {
        if self.on_site { format!("{}. {CAUTION}", self.advice) } else { self.advice.clone() }
    }
}
