//! The words about the log, and that they are ours.

use std::io::ErrorKind;
use std::path::PathBuf;

use hereabout_core::IoFault;

use super::*;

fn path() -> PathBuf {
    PathBuf::from("/srv/larkfield/larkfield.db")
}

fn folder() -> PathBuf {
    PathBuf::from("/srv/larkfield")
}

fn every_fault() -> Vec<LogFault> {
    let path = path;
    vec![
        LogFault::NoFolder { path: path(), folder: folder() },
        LogFault::Forbidden { path: path(), folder: folder() },
        LogFault::NoSuchFile { path: path() },
        LogFault::NotADatabase { path: path() },
        LogFault::OtherDatabase { path: path() },
        LogFault::NewerSchema { path: path(), found: 9, known: 8 },
        LogFault::OlderSchema { path: path(), found: 7, known: 8 },
        LogFault::InUse { path: path(), process: Some(812) },
        LogFault::InUse { path: path(), process: None },
        LogFault::Untrusted { path: path(), fault: FileFault::Link { path: path() } },
        LogFault::DiskFull { path: path() },
        LogFault::Busy { path: path() },
        LogFault::Gone { path: path() },
        LogFault::NoAnswer { path: path(), waited_s: 5 },
        LogFault::Damaged { path: path(), damage: LogDamage::Malformed },
        LogFault::NoSuchSession { path: path(), id: 7, count: 2, first: 1, last: 2 },
        LogFault::Empty { path: path() },
        LogFault::Unwritten {
            frames: 1,
            fixes: 2,
            events: 3,
            cause: Box::new(LogFault::DiskFull { path: path() }),
        },
        LogFault::WriterStopped { path: path() },
        LogFault::Io { path: path(), fault: IoFault::from(ErrorKind::TimedOut) },
        LogFault::Database { path: path(), fault: SqliteFault { code: Some(266) } },
    ]
}

#[test]
fn each_fault_is_one_line_with_the_file() {
    for said in every_fault().iter().map(fault) {
        let line = said.line();
        assert!(line.contains("/srv/larkfield/larkfield.db") && line.ends_with('.'), "{line}");
        assert!(!line.contains("..") && !line.contains(".: "), "{line}");
    }
}

#[test]
fn codes_stay() {
    let codes: Vec<&str> = every_fault().iter().map(|f| fault(f).code).collect();
    assert_eq!(
        codes.join(" "),
        "no_folder forbidden no_such_file not_a_database other_database newer_schema older_schema in_use in_use link \
         disk_full busy gone no_answer damaged no_such_session empty unwritten writer_stopped refused sqlite_failed"
    );
}

#[test]
fn lines_that_people_know_stay() {
    let line = |f: LogFault| fault(&f).line();
    assert_eq!(
        line(LogFault::NoFolder { path: path(), folder: folder() }),
        "cannot keep a log in /srv/larkfield/larkfield.db: there is no folder /srv/larkfield. Create it, or choose another \
         [log] path."
    );
    assert_eq!(
        line(LogFault::InUse { path: path(), process: Some(812) }),
        "the log /srv/larkfield/larkfield.db is locked by another program, as a rule a hereabout that writes it: process \
         812. Stop that one, or give this one its own [log] path."
    );
    assert_eq!(
        line(LogFault::Unwritten {
            frames: 1,
            fixes: 2,
            events: 3,
            cause: Box::new(LogFault::DiskFull { path: path() }),
        }),
        "the session ended, but the last 1 frames, 2 fixes and 3 events could not be written: the disk with the log \
         /srv/larkfield/larkfield.db is full. Make room, or choose a [log] path on another disk."
    );
    let one = LogFault::NoSuchSession { path: path(), id: 7, count: 1, first: 3, last: 3 };
    assert_eq!(line(one), "the log /srv/larkfield/larkfield.db has no session 7. It holds: session 3.");
    let folder_there = FileFault::NotPlain { path: path(), kind: hereabout_core::FileKind::Folder };
    assert_eq!(
        line(LogFault::Untrusted { path: path(), fault: folder_there }),
        "the log /srv/larkfield/larkfield.db is not opened: /srv/larkfield/larkfield.db is a folder, not a plain file. \
         Remove it, or give another path."
    );
}

#[test]
fn problems_and_notes_say_what_to_do() {
    assert_eq!(
        problem(&LogProblem::WriterBroke).line(),
        "the task that writes the log broke: restart the daemon"
    );
    assert_eq!(problem(&LogProblem::Slow { waited_s: 5 }).line(), "the disk has not answered for 5 s");
    assert_eq!(
        problem(&LogProblem::Overgrown { wal_bytes: 33_554_432 }).line(),
        "another program reads the log and does not let go, so its -wal file has grown to 33 MB: end that program's read \
         transaction (`fuser` names it)"
    );
    let beside = PathBuf::from("/srv/larkfield/larkfield.2.db");
    let damage = LogFault::Damaged { path: path(), damage: LogDamage::NotWritable };
    assert_eq!(
        note(&LogNote::GoesOnIn { damage, path: beside }).line(),
        "the log /srv/larkfield/larkfield.db is damaged: that showed when it was written. Keep a copy; `sqlite3 \
         /srv/larkfield/larkfield.db .recover` may save what is left. The log goes on in /srv/larkfield/larkfield.2.db \
         until the damaged file is moved away."
    );
    assert_eq!(
        note(&LogNote::RowsLeft { path: path() }).line(),
        "the log was moved while another program was reading it, so its last rows are in /srv/larkfield/larkfield.db: give \
         that the moved file's name with -wal at its end"
    );
}

/// No code of SQLite's, known here or not, gives an empty sentence or a number where there are words for it.
#[test]
fn sqlites_codes_have_our_words() {
    let say = |code| sqlite_words(SqliteFault { code });
    for code in [1, 3, 4, 5, 6, 7, 8, 9, 10, 11, 13, 14, 15, 17, 18, 19, 20, 22, 26] {
        for extended in 0..30 {
            let words = say(Some(code | extended << 8));
            assert!(words.len() > 10 && !words.contains(char::is_numeric), "{code}: {words}");
        }
    }
    assert_eq!(say(Some(778)), "the disk refuses a write");
    assert_eq!(say(Some(522)), "the disk does not give back what is in the file");
    assert_eq!(say(Some(99)), "it reports its error 99");
    assert!(say(None).contains("not what was asked for"));
}
