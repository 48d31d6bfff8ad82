//! Whether the system says that its wall clock is synchronised.
//!
//! Asked are, in this order, the mark that the system's own time service leaves under `/run`, and the system's tool for its
//! clock. Where neither is there nobody knows: `None`, never a guess. Answers and deadlines don't depend on it: they run by a
//! steady clock. Stamps in messages and in the log do.

use std::path::Path;
use std::process::Stdio;
use std::time::Duration;

use tokio::process::Command;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// The time service's folder, and the mark in it that says "synchronised".
const FOLDER: &str = "/run/systemd/timesync";
const MARK: &str = "synchronized";
/// How often it is asked, and how long an answer may take.
const ASK_EVERY: Duration = Duration::from_secs(30);
const ANSWER_WITHIN: Duration = Duration::from_secs(2);

/// Asks now and then, and tells, until `stop`.
pub async fn watch_synchronisation(tell: watch::Sender<Option<bool>>, stop: CancellationToken) {
    loop {
        let answer = match by_mark(Path::new(FOLDER)) {
            Some(answer) => Some(answer),
            None => by_tool().await,
        };
        tell.send_replace(answer);
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(ASK_EVERY) => {}
        }
    }
}

/// By the time service's mark: `None` when the service isn't there.
fn by_mark(folder: &Path) -> Option<bool> {
    folder.is_dir().then(|| folder.join(MARK).exists())
}

/// By the system's tool, which asks the kernel. One that hangs is ended, and keeps no daemon from ending.
async fn by_tool() -> Option<bool> {
    let mut ask = Command::new("timedatectl");
    ask.args(["show", "--property=NTPSynchronized", "--value"]);
    let asked = ask.stdin(Stdio::null()).stderr(Stdio::null()).kill_on_drop(true).output();
    let answer = tokio::time::timeout(ANSWER_WITHIN, asked).await.ok()?.ok()?;
    parse(&String::from_utf8_lossy(&answer.stdout))
}

fn parse(answer: &str) -> Option<bool> {
    match answer.trim() {
        "yes" => Some(true),
        "no" => Some(false),
        _ => None,
    }
}

#[cfg(test)]
mod tests;
