//! Tests of the solver through its public face. Where each number comes from: `tests/data/README.md`.
#![expect(clippy::unwrap_used, reason = "a test that cannot read its numbers has failed")]

mod closed_forms;
mod common;
mod distributions;
mod positions;
mod properties;
mod reasons;
mod reference_fits;
mod zones;
