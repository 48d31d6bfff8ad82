//! `verify`: a tag at known checkpoints, the errors of what is published there, and whether they are small enough.

use hereabout_commission::proof::Proof;
use hereabout_commission::survey::Spot;
use hereabout_commission::tally::Tally;
use hereabout_core::{Epoch, Site, TagId, Timestamp};
use hereabout_engine::{Engine, Input, Output};
use hereabout_solve::verify::{CeInterval, PointResult, Verdict, Verification};
use hereabout_words::{Said, calibration as words};
use serde_json::{Value, json};

use crate::calibration::calibration_file::{CalibrationFile, UsedPlace};
use crate::calibration::fit_test::{FitTest, SiteFault};
use crate::cli::VerifyArgs;
use crate::commands::calibrate::{Places, places_task, receive_ranges, targets_of};
use crate::commands::rows;
use crate::commands::runtime;
use crate::exit::Failure;
use crate::files::paths::calibration_beside;
use crate::site_file::SiteFile;
use crate::survey::session::{self, EpochSink};

/// Usual time at one checkpoint, seconds.
const PLACE_S: f64 = 30.0;
/// Exit code when the accuracy is not reached.
const NOT_REACHED: u8 = 1;

/// Verifies. Exit code 0 when the requirement is met or there is none, 1 when not.
///
/// # Errors
/// Inputs that can't be used, Ctrl-C.
pub fn verify(args: &VerifyArgs) -> Result<u8, Failure> {
    let site = SiteFile::load(&args.site)?;
    for warning in &site.warnings {
        eprintln!("{warning}");
    }
    let (proven, site_fault) = runtime()?.block_on(prove(&site, args))?;
    if args.json {
        println!("{}", proven.to_json(&site.site, site_fault.as_ref()));
    } else {
        print!("{}", proven.to_text(&site.site, site_fault.as_ref()));
    }
    Ok(if proven.result.verdict == Verdict::Failed { NOT_REACHED } else { 0 })
}

/// A proof with what it is about, for whoever shows it.
pub(crate) struct ProofReport {
    /// The checkpoints.
    pub(crate) spots: Vec<Spot>,
    /// Position reports and located ones at each.
    pub(crate) counts: Vec<(usize, usize)>,
    /// Positions at each that found no room, and ranges of all of them.
    pub(crate) left_out: (Vec<usize>, usize),
    /// The numbers.
    pub(crate) result: Verification,
    /// Places of the calibration.
    pub(crate) calibrated_at: Vec<UsedPlace>,
    /// What is required, metres.
    pub(crate) required_ce95_m: Option<f64>,
}

/// Hears the checkpoints and works out the proof.
async fn prove(site: &SiteFile, args: &VerifyArgs) -> Result<(ProofReport, Option<SiteFault>), Failure> {
    let tag = args.survey.tag.map(TagId);
    let places = places_task(&args.survey, &site.site, args.json)?;
    let (targets, table) = match &places {
        Places::Targets(targets) => (targets.clone(), None),
        Places::Table(spots) => (targets_of(spots), Some(spots)),
    };
    let listener = Listener::new(&site.site, tag);
    let mut listener = Tested { listener, fit: FitTest::new(&session::tested_site(&args.survey, site)) };
    receive_ranges(&args.survey, site, table, &targets, PLACE_S, &mut listener).await?;
    let Tested { listener, mut fit } = listener;
    fit.settle();
    if let Some(spots) = table.filter(|_| args.survey.input.is_some()) {
        spots.check_extent(listener.proof.heard().extent())?;
    }
    session::check_received(listener.proof.heard(), tag)?;
    let calibrated_at = calibrated_at(site)?;
    Ok((proof_report(site, &listener.proof, calibrated_at), fit.site_fault()))
}

/// The places that the calibration beside a site file rests on.
pub(crate) fn calibrated_at(site: &SiteFile) -> Result<Vec<UsedPlace>, Failure> {
    let file = CalibrationFile::read(&calibration_beside(&site.path))?;
    Ok(file.map(|f| f.places).unwrap_or_default())
}

/// Works out a proof that has heard everything.
pub(crate) fn proof_report(site: &SiteFile, proof: &Proof, calibrated_at: Vec<UsedPlace>) -> ProofReport {
    let places: Vec<[f64; 3]> = calibrated_at.iter().map(|p| p.at_m).collect();
    let required_ce95_m = site.site.required_ce95_m();
    ProofReport {
        spots: proof.spots().to_vec(),
        counts: (0..proof.spots().len()).map(|k| proof.counts(k)).collect(),
        left_out: ((0..proof.spots().len()).map(|k| proof.left_out(k)).collect(), proof.heard().left_out()),
        result: proof.verify(&site.site, &places, required_ce95_m),
        calibrated_at,
        required_ce95_m,
    }
}

/// Engine and proof: what is heard goes through the one into the other.
pub(crate) struct Listener {
    /// The same engine as the daemon's.
    pub(crate) engine: Engine,
    /// What it said of each anchor.
    pub(crate) tally: Tally,
    /// What it published at the checkpoints.
    pub(crate) proof: Proof,
}

impl Listener {
    /// Nothing heard yet; `tag` is the one that is graded, when there are several.
    pub(crate) fn new(site: &Site, tag: Option<TagId>) -> Listener {
        Listener {
            engine: Engine::new(site.clone(), None),
            tally: Tally::new(site),
            proof: Proof::new(site, tag),
        }
    }

    fn drain(&mut self) {
        while let Some(output) = self.engine.poll_output() {
            match &output {
                Output::Position(report) => {
                    self.tally.add_position(report);
                    self.proof.take_position(report);
                }
                Output::Ranges(epoch) => {
                    self.tally.add_ranges(epoch);
                    self.proof.take_ranges(epoch);
                }
                _ => {}
            }
        }
    }
}

impl EpochSink for Listener {
    fn begin(&mut self, spot: Spot) -> bool {
        self.proof.begin(spot)
    }

    fn take(&mut self, epoch: &Epoch) {
        self.engine.handle(Input::Epoch(epoch));
        self.drain();
    }

    fn tick(&mut self, at: Timestamp) {
        self.engine.handle(Input::Tick(at));
        self.drain();
    }

    fn glance(&self) -> String {
        let newest = self.proof.spots().len().saturating_sub(1);
        let (reports, located) = self.proof.counts(newest);
        format!("{located} positions of {reports} reports")
    }
}

/// The same, and the test whether the ranges fit the site.
struct Tested {
    listener: Listener,
    fit: FitTest,
}

impl EpochSink for Tested {
    fn begin(&mut self, spot: Spot) -> bool {
        self.listener.begin(spot)
    }

    fn take(&mut self, epoch: &Epoch) {
        self.fit.take(epoch);
        self.listener.take(epoch);
    }

    fn tick(&mut self, at: Timestamp) {
        self.listener.tick(at);
    }

    fn glance(&self) -> String {
        self.listener.glance()
    }
}

fn metres(v: Option<f64>) -> String {
    v.map_or("-".to_owned(), |v| format!("{v:.3}"))
}

impl ProofReport {
    fn to_text(&self, site: &Site, site_fault: Option<&SiteFault>) -> String {
        let mut out = format!(
            "{:<20} {:>9} {:>9} {:>8} {:>8} {:>8} {:>8} {:>7}\n",
            "checkpoint", "east m", "north m", "mean e", "mean n", "RMS m", "95 % m", "fixes"
        );
        for ((spot, point), counts) in self.spots.iter().zip(&self.result.points).zip(&self.counts) {
            out += &row(spot, point, *counts);
        }
        out += &self.summary();
        let notes = site_fault.map(SiteFault::note).into_iter().chain(self.notes(site));
        notes.for_each(|note| out += &rows::item(&note));
        out + &self.verdict().words + "\n"
    }

    fn summary(&self) -> String {
        let Some(all) = self.result.overall else { return "no position at any checkpoint\n".to_owned() };
        let ce = |name: &str, ce: Option<CeInterval>| {
            ce.map_or_else(String::new, |c| {
                format!("{name} {:.3} m (95 % interval {:.3} to {:.3} m)\n", c.observed_m, c.low_m, c.high_m)
            })
        };
        let honest = self.result.honesty.map_or_else(String::new, |h| {
            let words = words::honesty(h.verdict).words;
            format!("95 % ellipses held {:.0} % of the positions, {words}\n", h.held_share * 100.0)
        });
        let used = self.result.points.iter().filter(|p| p.accuracy.is_some()).count();
        format!(
            "{} positions at {used} checkpoints: RMSE {:.3} m, largest {:.3} m\n{}{}{honest}",
            all.count,
            all.horizontal.rms_m,
            all.horizontal.max_m,
            ce("CE50", self.result.ce50),
            ce("CE95", self.result.ce95),
        )
    }

    /// What people should know beside the numbers.
    pub(crate) fn notes(&self, site: &Site) -> Vec<Said> {
        let mut notes = Vec::new();
        for ((spot, point), (reports, located)) in
            self.spots.iter().zip(&self.result.points).zip(&self.counts)
        {
            let place = point.reused.and_then(|k| self.calibrated_at.get(k));
            notes.extend(place.map(|place| words::reused_place(&spot.name, &place.name)));
            if *located == 0 {
                notes.push(words::no_position(&spot.name, *reports));
            }
        }
        let left_out = self.spots.iter().zip(&self.left_out.0).filter(|(_, n)| **n > 0);
        notes.extend(left_out.map(|(spot, n)| words::left_out_positions(&spot.name, *n)));
        notes.extend(words::left_out(self.left_out.1));
        notes.extend(words::faults(&self.result.faults, site, &self.spots));
        notes
    }

    /// Pass or fail, in one line.
    pub(crate) fn verdict(&self) -> Said {
        words::accuracy(self.result.verdict, self.required_ce95_m)
    }

    fn to_json(&self, site: &Site, site_fault: Option<&SiteFault>) -> Value {
        let ce = |c: Option<CeInterval>| {
            c.map(|c| json!({ "observed_m": c.observed_m, "low_m": c.low_m, "high_m": c.high_m }))
        };
        let point = |((s, p), k): ((&Spot, &PointResult), usize)| {
            let (reports, located) = self.counts[k];
            json!({
                "name": s.name, "at_m": s.at_m, "reports": reports, "located": located,
                "left_out": self.left_out.0[k],
                "bias_m": p.accuracy.map(|a| a.bias_m), "rms_m": p.accuracy.map(|a| a.horizontal.rms_m),
                "p95_m": p.accuracy.map(|a| a.horizontal.p95_m), "held_share": p.held_share,
                "used_for_calibration": p.reused.is_some(),
            })
        };
        let points = self.spots.iter().zip(&self.result.points).zip(0..).map(point);
        let notes: Vec<Value> =
            site_fault.map(SiteFault::note).iter().chain(&self.notes(site)).map(rows::note).collect();
        let code = self.verdict().code;
        json!({
            // The verdict is the code with blanks, as it was written before there were codes.
            "verdict": code.replace('_', " "), "code": code,
            "required_ce95_m": self.required_ce95_m, "checkpoints": points.collect::<Vec<_>>(),
            "rmse_m": self.result.overall.map(|a| a.horizontal.rms_m),
            "max_m": self.result.overall.map(|a| a.horizontal.max_m),
            "ce50": ce(self.result.ce50), "ce95": ce(self.result.ce95),
            "held_share": self.result.honesty.map(|h| h.held_share),
            "site_fit": site_fault.map(SiteFault::to_json),
            "notes": notes,
        })
    }
}

fn row(spot: &Spot, point: &PointResult, (_, located): (usize, usize)) -> String {
    let a = point.accuracy;
    let signed = |v: Option<f64>| v.map_or("-".to_owned(), |v| format!("{v:+.3}"));
    let name: String = spot.name.chars().take(20).collect();
    format!(
        "{name:<20} {:>9.2} {:>9.2} {:>8} {:>8} {:>8} {:>8} {located:>7}\n",
        spot.at_m[0],
        spot.at_m[1],
        signed(a.map(|a| a.bias_m[0])),
        signed(a.map(|a| a.bias_m[1])),
        metres(a.map(|a| a.horizontal.rms_m)),
        metres(a.map(|a| a.horizontal.p95_m)),
    )
}
