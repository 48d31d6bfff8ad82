//! Whether anything comes that positions can be made of: the engine's own time, frames, and frames for the present.
//!
//! A tag that is lost while good frames come is the tag's affair; here is what is wrong with all of them at once. The
//! stamps are those of what was published. How long is too long is the caller's: the grace of the link, and
//! [`ENGINE_ANSWERS`] for the engine.

use hereabout_core::Micros;
use hereabout_words::position::doubted;
use hereabout_words::{CAUTION, kit};

use crate::{current::Current, state::Connectivity};

/// The engine's time is reported twice a second, and may be behind by this much.
const ENGINE_ANSWERS: Micros = Micros::from_millis(2_000);

/// Why no positions are to be expected just now; `None` when they are.
pub(crate) fn not_ready(current: &Current<'_>, source: &str, grace: Micros) -> Option<String> {
    let (now, clock) = (current.now, current.clock);
    let link_reason = now.link.reason.as_deref().unwrap_or("no reason known");
    if let Some(behind) = now.heard.engine_at.map(|at| clock.since(at)).filter(|b| *b > ENGINE_ANSWERS) {
        return Some(format!(
            "The engine does not answer: its time is {:.1} s behind. See the load of this computer; start the daemon \
             again if that lasts.",
            behind.secs_f64()
        ));
    }
    if !now.ever_connected {
        return Some(format!("The link to {source} was not connected yet: {link_reason}."));
    }
    if let Some(waiting) = current.waiting_for().filter(|w| *w > grace) {
        let s = waiting.secs_f64();
        return Some(format!("The link to {source} has been waiting for {s:.0} s: {link_reason}."));
    }
    if now.anchors.is_none() && now.tags.is_empty() && now.counts.epochs == 0 {
        return Some(format!(
            "Nothing usable was heard from {source} yet: see the decoder's counters in /v1/status, and [frame]."
        ));
    }
    frames_of_now(current, source, grace).or_else(|| site_in_doubt(current))
}

/// What speaks against every position: the ranges and the site file do not fit each other.
fn site_in_doubt(current: &Current<'_>) -> Option<String> {
    let said = kit::found(current.now.site_in_doubt()?, current.site.into());
    let caution = if said.on_site { format!(" {CAUTION}") } else { String::new() };
    Some(format!("No position can be trusted: {}. To do: {}.{caution}", said.words, said.advice))
}

/// What is wrong with the frames of a connected link: none come, or none that may be taken for the present.
fn frames_of_now(current: &Current<'_>, source: &str, grace: Micros) -> Option<String> {
    let (now, clock) = (current.now, current.clock);
    if now.link.state != Connectivity::Connected {
        return None; // it is waiting, for less than the grace
    }
    // A link that was opened again has the grace anew.
    let silent = now.heard.epoch_at.map(|at| clock.since(at.max(now.link.since)));
    if let Some(silent) = silent.filter(|s| *s > grace) {
        return Some(format!(
            "No good frame was heard from {source} for {:.0} s, although the link is connected: see the kit in /v1/anchors \
             and the decoder's counters in /v1/status.",
            silent.secs_f64()
        ));
    }
    let (since, doubt) = now.heard.doubted?;
    let for_so_long = clock.since(since);
    (for_so_long > grace).then(|| {
        format!(
            "No frame from {source} could be taken for the present for {:.0} s: {}.",
            for_so_long.secs_f64(),
            doubted(doubt).line()
        )
    })
}

#[cfg(test)]
mod tests;
