//! The test whether ranges and site belong to each other, for the commands: `listen`, `check --input`, `calibrate`, `verify`.
//!
//! It is the engine's own test, fed with the same ranges in the same way; only here whoever asks can wait for it
//! ([`FitTest::settle`]).

use hereabout_api::v1::SiteDoubtBody;
use hereabout_core::{Epoch, MAX_TAGS, Site, TagId};
use hereabout_engine::{fit_ranges, fit_setup};
use hereabout_solve::fit::{Cause, FitAnswer, SiteDoubt, SiteFit};
use hereabout_words::Said;
use hereabout_words::site_fit::{self, SiteNames};
use serde_json::{Value, json};

/// The test for one site, on its way.
pub(crate) struct FitTest {
    site: Site,
    fit: SiteFit,
    tags: Vec<TagId>,
    epochs: u64,
}

/// A site that does not fit: facts and words.
pub(crate) struct SiteFault {
    pub(crate) doubt: SiteDoubt,
    pub(crate) said: Said,
    pub(crate) body: SiteDoubtBody,
}

impl FitTest {
    /// Nothing heard yet.
    pub(crate) fn new(site: &Site) -> FitTest {
        FitTest { site: site.clone(), fit: SiteFit::new(fit_setup(site)), tags: Vec::new(), epochs: 0 }
    }

    /// Takes in the ranges of one epoch. Tags beyond those that the engine keeps apart are passed over.
    pub(crate) fn take(&mut self, epoch: &Epoch) {
        let known = self.tags.iter().position(|t| *t == epoch.tag);
        let tag = known.or_else(|| {
            let new = self.tags.len();
            (new < MAX_TAGS).then(|| self.tags.push(epoch.tag)).map(|()| new)
        });
        let Some(tag) = tag else { return };
        self.epochs += 1;
        self.fit.take(tag, epoch.at, &fit_ranges(epoch, &self.site));
    }

    /// Weighs everything that was heard: for recordings, and at the end of a survey session.
    pub(crate) fn settle(&mut self) {
        self.fit.settle();
    }

    /// Epochs so far.
    pub(crate) fn epochs(&self) -> u64 {
        self.epochs
    }

    /// As it stands.
    pub(crate) fn answer(&self) -> FitAnswer {
        self.fit.answer()
    }

    /// What speaks against the site; `None` when nothing does, or too little was heard.
    pub(crate) fn site_fault(&self) -> Option<SiteFault> {
        match self.answer() {
            FitAnswer::Doubted(doubt) => Some(SiteFault::new(doubt, &self.site)),
            FitAnswer::Fits { .. } | FitAnswer::TooEarly { .. } => None,
        }
    }
}

impl SiteFault {
    pub(crate) fn new(doubt: SiteDoubt, site: &Site) -> SiteFault {
        let names = SiteNames::from(site);
        SiteFault { said: site_fit::found(&doubt, names), body: SiteDoubtBody::new(&doubt, names), doubt }
    }

    /// Whether an offset that is found with this site would hide what is wrong with it. A scale may be: that is what
    /// `calibrate --scale` is for.
    pub(crate) fn forbids_offsets(&self) -> bool {
        match self.doubt.cause {
            Some(Cause::Scale { .. }) => false,
            Some(_) => true,
            None => self.doubt.all,
        }
    }

    /// The same with the caution in what to do where that sends somebody to the anchors.
    pub(crate) fn note(&self) -> Said {
        Said { advice: self.said.advice_with_caution(), ..self.said.clone() }
    }

    /// Facts and words for programs.
    pub(crate) fn to_json(&self) -> Value {
        let mut value = serde_json::to_value(&self.body).unwrap_or_default();
        if let Some(facts) = value.as_object_mut() {
            facts.insert("code".to_owned(), self.said.code.into());
            facts.insert("words".to_owned(), self.said.words.clone().into());
            facts.insert("advice".to_owned(), self.said.advice.clone().into());
            facts.insert("on_site".to_owned(), self.said.on_site.into());
        }
        value
    }
}

/// An answer for programs: `answer` is `fits`, `does_not_fit` or `too_early`, with its facts.
pub(crate) fn answer_json(answer: &FitAnswer, site: &Site) -> Value {
    match *answer {
        FitAnswer::Fits { explained_share: explained } => {
            json!({ "answer": "fits", "explained": hereabout_api::v1::round_1e4(explained) })
        }
        FitAnswer::TooEarly { keyframes, needed } => {
            json!({ "answer": "too_early", "seconds_heard": keyframes, "seconds_needed": needed })
        }
        FitAnswer::Doubted(doubt) => {
            let mut value = SiteFault::new(doubt, site).to_json();
            if let Some(facts) = value.as_object_mut() {
                facts.insert("answer".to_owned(), "does_not_fit".into());
            }
            value
        }
    }
}

/// An answer for people: what is so, and what to do, with the caution where that sends somebody to the anchors.
pub(crate) fn answer_said(answer: &FitAnswer, site: &Site) -> Said {
    let said = site_fit::answer(answer, site.into());
    Said { advice: said.advice_with_caution(), ..said }
}

#[cfg(test)]
mod tests;
