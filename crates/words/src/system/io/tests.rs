use super::*;

#[test]
fn no_word_and_no_number_of_a_library_is_passed_on() {
    // Numbers of Linux, errno(3): ENOENT, EIO, EACCES, EBUSY, EMFILE, ENOSPC, EROFS, EPIPE, ELOOP, EADDRINUSE, EHOSTUNREACH.
    let expected = [
        (2, "there is no such file or folder"),
        (5, "the device does not answer (a read or write failed)"),
        (13, "permission denied"),
        (16, "another program uses it"),
        (24, "this program has too many files open"),
        (28, "the disk is full"),
        (30, "the file system is read-only"),
        (32, "the other side closed the connection"),
        (40, "too many links lead to it"),
        (98, "another program uses that address"),
        (113, "there is no way to that host"),
    ];
    for (errno, words) in expected {
        let error = io::Error::from_raw_os_error(errno);
        assert_eq!(error_words(&error), words);
    }
    for errno in 1..=133 {
        let words = error_words(&io::Error::from_raw_os_error(errno));
        assert!(!words.contains("os error") && words.len() > 8, "{errno}: {words}");
    }
}

#[test]
fn a_number_without_words_is_given_so_that_it_can_be_looked_up() {
    let fault = IoFault { kind: io::ErrorKind::Other, errno: Some(4000) };
    assert_eq!(words(fault), "the system refuses it with its error 4000");
    assert_eq!(words(io::ErrorKind::Other.into()), "the system refuses it and gives no reason");
}

#[test]
fn what_a_program_says_itself_is_kept() {
    assert_eq!(
        error_words(&io::Error::other("it is a folder, not a plain file")),
        "it is a folder, not a plain file"
    );
    // A library's own text about bytes is none of ours.
    let text = io::Error::new(io::ErrorKind::InvalidData, "stream did not contain valid UTF-8");
    assert_eq!(error_words(&text), "what it holds is damaged, or is no text");
}
