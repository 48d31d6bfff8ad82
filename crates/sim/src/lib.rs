//! The simulated kit: truth, noise, blocked lines of sight, dropouts and faults as bytes of a port.
//!
//! A [`Scenario`] says what there is: anchors, tags and their ways, how ranges err, what breaks and
//! when. It is read from a TOML file or built in code. From it come
//!
//! * a [`World`]: epochs of ranges with the truth beside them, for studies of the estimators;
//! * a [`Kit`]: the same epochs as the bytes that a primary anchor would send.
//!
//! Both are functions of the scenario alone: one seed gives the same numbers on every machine. Every
//! concern draws from a random stream of its own (noise, late ranges, dropouts, damage, each per tag
//! and anchor), so that switching one fault on does not reshuffle the rest.
//!
//! The range error is the one that kits have. In line of sight it is normal, with the board's offset
//! as mean. Blocked or reflected, a range is late: 0.2 m plus an exponential of mean 0.6 m, in
//! stretches of a second or two more often than in single frames. The shape is a stated model
//! (common practice, no source); the figures are the scenario's.
#![forbid(unsafe_code)]

mod kit;
mod path;
mod random;
mod reading;
mod scenario;
mod truth;
mod world;

pub use kit::{Damage, Kit, SimFrame};
pub use path::TagWay;
pub use reading::ScenarioError;
pub use scenario::{
    Fault, FrameText, Nlos, Problem, Scenario, ScenarioProblem, SimAnchor, SimTag, TEXT_START, WayEnd,
};
pub use truth::{write_truth_header, write_truth_row};
pub use world::{Absence, SimEpoch, SimRange, World};
