//! Commissioning: what a tag at known places says of the boards and of the accuracy, and what is heard of a kit before it
//! has a site.
//!
//! [`survey::SurveySession`] gathers raw ranges by place and board, [`calibration::calibrate`] makes corrections of them
//! (or one of a taped distance, [`calibration::calibrate_one`]); [`proof::Proof`] gathers what was published at
//! checkpoints and judges it; [`accuracy`] grades positions against a known truth; [`tally`] adds up a whole session by
//! anchor; [`hearing`] looks ten seconds back. Facts only: the words are made in `words`.
#![forbid(unsafe_code)]

pub mod accuracy;
pub mod calibration;
pub mod hearing;
pub mod proof;
pub mod survey;
pub mod tally;

#[cfg(test)]
mod survey_kit;
