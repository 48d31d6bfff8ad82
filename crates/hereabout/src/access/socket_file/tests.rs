//! Tests of `socket_file`.

use super::*;

#[test]
fn names_stand_beside_the_log_and_never_on_it() {
    for (log, socket) in [
        ("a/larkfield.db", "a/larkfield.socket"),
        ("larkfield", "larkfield.socket"),
        ("a/yard.2026.db", "a/yard.2026.socket"),
        ("a/yard.socket", "a/yard.socket.socket"),
    ] {
        assert_eq!(beside(Path::new(log), "socket"), Path::new(socket));
    }
}

#[tokio::test]
async fn only_what_is_still_ours_is_removed_at_the_end() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("yard.socket");
    let (file, listener) = SocketFile::listen(&path).unwrap();
    assert!(matches!(SocketFile::listen(&path), Err(SocketError::Alive { .. })));
    drop(listener);
    // Dead now, though its file is there: another one takes the path.
    let (other, _listener) = SocketFile::listen(&path).unwrap();
    drop(file);
    assert!(path.exists(), "that of the other one");
    drop(other);
    assert!(!path.exists());
}

#[tokio::test]
async fn two_that_replace_a_dead_one_at_once_do_not_take_it_from_each_other() {
    let folder = tempfile::tempdir().unwrap();
    for round in 0..20 {
        let path = folder.path().join(format!("{round}.socket"));
        drop(UnixListener::bind(&path).unwrap());
        let runtime = tokio::runtime::Handle::current();
        let both: Vec<_> = (0..2)
            .map(|_| {
                let (path, runtime) = (path.clone(), runtime.clone());
                std::thread::spawn(move || {
                    let _entered = runtime.enter();
                    SocketFile::listen(&path)
                })
            })
            .collect();
        let both: Vec<_> = both.into_iter().map(|b| b.join().unwrap()).collect();
        assert_eq!(both.iter().filter(|b| b.is_ok()).count(), 1, "{both:?}");
        assert!(UnixStream::connect(&path).is_ok());
    }
}
