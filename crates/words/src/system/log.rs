//! Why the log can't be opened, written or read, and what is wrong with it just now: what happened, to which file, what to
//! do. No word of the system's or of SQLite's reaches a person.

use std::path::Path;

use hereabout_core::{FileFault, LogDamage, LogFault, LogNote, LogProblem, SqliteFault};

use crate::said::{Said, Topic};
use crate::system::{file, io};

/// Advice where another place for the log helps.
const OTHER_PATH: &str = "choose another [log] path.";

/// Why a log could not be opened, written or read, and what to do.
pub fn fault(fault: &LogFault) -> Said {
    match fault {
        LogFault::NoFolder { path, folder } => no_folder(path, folder),
        LogFault::Forbidden { path, folder } => forbidden(path, folder),
        LogFault::NoSuchFile { path } => row(
            "no_such_file",
            format!("there is no log {}", path.display()),
            "Check the name; a daemon creates the file when it starts.",
        ),
        LogFault::NotADatabase { path } => {
            left_alone("not_a_database", path, "is not a SQLite database, so not a log")
        }
        LogFault::OtherDatabase { path } => {
            left_alone("other_database", path, "is a SQLite database, but not a log of hereabout")
        }
        LogFault::NewerSchema { path, found, known } => newer_schema(path, *found, *known),
        LogFault::OlderSchema { path, found, known } => older_schema(path, *found, *known),
        LogFault::InUse { path, process } => in_use(path, *process),
        LogFault::Untrusted { path, fault } => untrusted(path, fault),
        LogFault::DiskFull { path } => row(
            "disk_full",
            format!("the disk with the log {} is full", path.display()),
            "Make room, or choose a [log] path on another disk.",
        ),
        LogFault::Busy { path } => of_log(
            "busy",
            path,
            "is locked by another program (a SQLite shell in a transaction?)",
            "Close it.",
        ),
        LogFault::Gone { path } => {
            of_log("gone", path, "was moved or deleted while it was being written.", "")
        }
        LogFault::NoAnswer { path, waited_s } => row(
            "no_answer",
            format!("the disk with the log {} has not answered for {waited_s} s", path.display()),
            "Check the disk or the mount.",
        ),
        LogFault::Damaged { path, damage } => damaged(path, *damage),
        LogFault::NoSuchSession { path, id, count, first, last } => {
            no_such_session(path, *id, *count, [*first, *last])
        }
        LogFault::Empty { path } => {
            of_log("empty", path, "holds no session yet", "Run the daemon on it first.")
        }
        LogFault::Unwritten { frames, fixes, events, cause } => unwritten([*frames, *fixes, *events], cause),
        LogFault::WriterStopped { path } => writer_stopped(path),
        LogFault::Io { path, fault } => row(
            "refused",
            format!("cannot open the log {}: {}", path.display(), io::words(*fault)),
            "Check the path and the disk.",
        ),
        LogFault::Database { path, fault } => row(
            "sqlite_failed",
            format!("SQLite failed on the log {}: {}", path.display(), sqlite_words(*fault)),
            "Check the disk and the file.",
        ),
    }
}

/// What is wrong just now with a log that is being written.
pub fn problem(problem: &LogProblem) -> Said {
    match problem {
        LogProblem::Failed(failed) => fault(failed),
        LogProblem::Slow { waited_s } => {
            row("slow", format!("the disk has not answered for {waited_s} s"), "")
        }
        LogProblem::WriterBroke => {
            row("writer_broke", "the task that writes the log broke", "restart the daemon").joined_by(": ")
        }
        LogProblem::Overgrown { wal_bytes } => row(
            "overgrown",
            format!(
                "another program reads the log and does not let go, so its -wal file has grown to {} MB",
                wal_bytes / 1_000_000
            ),
            "end that program's read transaction (`fuser` names it)",
        )
        .joined_by(": "),
    }
}

/// What a person should know of a log that is not, or not whole, where it was.
pub fn note(note: &LogNote) -> Said {
    match note {
        LogNote::GoesOnIn { damage, path } => {
            let damage = fault(damage).line();
            row(
                "goes_on_beside",
                format!(
                    "{damage} The log goes on in {} until the damaged file is moved away.",
                    path.display()
                ),
                "",
            )
        }
        LogNote::RowsLeft { path } => row(
            "rows_left",
            format!(
                "the log was moved while another program was reading it, so its last rows are in {}",
                path.display()
            ),
            "give that the moved file's name with -wal at its end",
        )
        .joined_by(": "),
    }
}

/// Words end where a sentence does, so the advice is the next one.
fn row(code: &'static str, words: impl Into<String>, advice: impl Into<String>) -> Said {
    Said::new(Topic::Log, code, words, advice).joined_by(". ")
}

fn of_log(code: &'static str, path: &Path, words: &str, advice: &str) -> Said {
    row(code, format!("the log {} {words}", path.display()), advice)
}

fn left_alone(code: &'static str, path: &Path, words: &str) -> Said {
    row(code, format!("{} {words}", path.display()), format!("It was left as it is; {OTHER_PATH}"))
}

fn no_folder(path: &Path, folder: &Path) -> Said {
    row(
        "no_folder",
        format!("cannot keep a log in {}: there is no folder {}", path.display(), folder.display()),
        format!("Create it, or {OTHER_PATH}"),
    )
}

fn forbidden(path: &Path, folder: &Path) -> Said {
    row(
        "forbidden",
        format!(
            "cannot open the log {}: permission denied or a read-only file system. SQLite also writes beside the \
             file, so the folder {} must be writable too",
            path.display(),
            folder.display()
        ),
        format!("Change the rights, or {OTHER_PATH}"),
    )
}

fn newer_schema(path: &Path, found: i64, known: i64) -> Said {
    let words = format!(
        "has schema version {found}, this program knows versions up to {known}: a newer hereabout wrote it"
    );
    of_log("newer_schema", path, &words, &format!("Update the program, or {OTHER_PATH}"))
}

fn older_schema(path: &Path, found: i64, known: i64) -> Said {
    let words = format!("has schema version {found}, this program reads version {known}");
    let advice = "Start the daemon on it once (or on a copy): it brings the file up to date.";
    of_log("older_schema", path, &words, advice)
}

fn in_use(path: &Path, process: Option<u32>) -> Said {
    let locked = "is locked by another program, as a rule a hereabout that writes it";
    match process {
        Some(p) => of_log(
            "in_use",
            path,
            &format!("{locked}: process {p}"),
            "Stop that one, or give this one its own [log] path.",
        ),
        None => of_log(
            "in_use",
            path,
            &format!("{locked}: which process is not known"),
            "Find and stop it, or give this one its own [log] path.",
        ),
    }
}

fn untrusted(path: &Path, fault: &FileFault) -> Said {
    let found = file::fault(fault);
    let words = format!("the log {} is not opened: {}", path.display(), found.words);
    match found.advice.as_str() {
        "" => Said { words: format!("{words}."), ..found },
        advice => Said { words, advice: format!("{advice}."), ..found },
    }
}

fn damaged(path: &Path, damage: LogDamage) -> Said {
    let path = path.display();
    row(
        "damaged",
        format!("the log {path} is damaged: {}", damage_words(damage)),
        format!("Keep a copy; `sqlite3 {path} .recover` may save what is left."),
    )
}

/// What is damaged, as the end of a sentence.
fn damage_words(damage: LogDamage) -> String {
    match damage {
        LogDamage::Malformed => "its pages do not belong together".to_owned(),
        LogDamage::NotWritable => "that showed when it was written".to_owned(),
        LogDamage::Refused(fault) => format!("a row was refused, because {}", sqlite_words(fault)),
        LogDamage::NoSessionYet => "a record before any session".to_owned(),
        LogDamage::Schema => "the steps of its schema are not those of this program".to_owned(),
        LogDamage::DoubtCode { code, frame } => format!("doubt code {code} in frame {frame}"),
        LogDamage::VerdictCode { code, frame } => format!("verdict code {code} in frame {frame}"),
        LogDamage::TooManyRanges { frame, max } => format!("frame {frame} has more than {max} ranges"),
        LogDamage::StrayRanges { frame, max } => {
            format!("frame {frame} has ranges without a frame, or more than {max}")
        }
        LogDamage::PositionCode => "a code in `fix` that means nothing".to_owned(),
        LogDamage::CandidatesOfOne { report } => {
            format!("report {report} has candidates and is not ambiguous")
        }
        LogDamage::TooManyCandidates { report } => format!("report {report} has more than two candidates"),
    }
}

/// What SQLite reports, as the end of a sentence (codes: <https://www.sqlite.org/rescode.html>).
fn sqlite_words(fault: SqliteFault) -> String {
    let Some(code) = fault.code else {
        return "its answer is not what was asked for, as if the file had been changed by hand".to_owned();
    };
    match of_sqlite(code) {
        Some(words) => words.to_owned(),
        None => format!("it reports its error {code}"),
    }
}

fn of_sqlite(code: i32) -> Option<&'static str> {
    Some(match (code & 0xff, code) {
        (10, 266 | 522) => "the disk does not give back what is in the file",
        (10, 778 | 1_034 | 1_290 | 1_546) => "the disk refuses a write",
        (10, 2_058 | 2_314 | 3_594 | 3_850 | 5_130) => "the file system does not lock files as it should",
        (7, _) | (10, 3_082) => "the memory is full",
        (10, _) => "a read or write of the disk failed",
        (3, _) => "permission denied",
        (5 | 6, _) => "another program has it locked",
        (8, _) => "it may only be read",
        (11, _) => "its pages do not belong together",
        (13, _) => "the disk is full",
        (14, _) => "a file can't be opened",
        (26, _) => "it is not a SQLite database",
        (1, _) => "a table is not as this program made it",
        (4 | 9, _) => "it was interrupted",
        (15, _) => "its locks are not as they should be",
        (17, _) => "another program changed its tables meanwhile",
        (18 | 22, _) => "it is larger than the system allows",
        (19, 275) => "a value breaks a rule of the table",
        (19, 1_299) => "a value is missing",
        (19, 1_555 | 2_067) => "a row of the same number is there already",
        (19, _) => "a row breaks a rule of the table",
        (20, _) => "a value is of the wrong kind",
        _ => return None,
    })
}

fn no_such_session(path: &Path, id: i64, count: u64, [first, last]: [i64; 2]) -> Said {
    let have = match count {
        1 => format!("session {last}"),
        count => format!("{count} sessions, {first} to {last}"),
    };
    of_log("no_such_session", path, &format!("has no session {id}"), &format!("It holds: {have}."))
}

fn unwritten([frames, fixes, events]: [u64; 3], cause: &LogFault) -> Said {
    let cause = fault(cause);
    let words = format!(
        "the session ended, but the last {frames} frames, {fixes} fixes and {events} events could not be written: {}",
        cause.words
    );
    Said { code: "unwritten", words, ..cause }
}

fn writer_stopped(path: &Path) -> Said {
    let words = format!(
        "the log's writer was stopped before it was done with {}. At most the last second is missing.",
        path.display()
    );
    row("writer_stopped", words, "")
}

#[cfg(test)]
mod tests;
