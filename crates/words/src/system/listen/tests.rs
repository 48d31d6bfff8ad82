//! What is reported when the service can't listen.

use super::*;

#[test]
fn each_refusal_names_the_address_and_the_setting() {
    let addr = SocketAddr::from(([127, 0, 0, 1], 80));
    let refused = refused(addr, IoFault { kind: ErrorKind::PermissionDenied, errno: Some(13) });
    assert_eq!(
        refused.line(),
        "cannot listen on 127.0.0.1:80: this user may not listen there (ports below 1024 are for the administrator); set \
         [api] listen to an address and port that this user may use"
    );
    assert_eq!(
        port_taken(addr).line(),
        "127.0.0.1:80 is taken by another program, perhaps another hereabout: stop that one, or set [api] listen to \
         another port"
    );
    assert_eq!(
        not_loopback(SocketAddr::from(([0, 0, 0, 0], 80))).line(),
        "0.0.0.0:80 can be reached from other machines, and this version has no tokens and no TLS to keep them out: set \
         [api] listen to a loopback address such as 127.0.0.1:80"
    );
}

#[test]
fn a_number_without_words_is_told_as_one() {
    let of = |kind, errno| reason(IoFault { kind, errno });
    assert_eq!(of(ErrorKind::Other, Some(5)), "the system refuses it, with its number 5");
    assert_eq!(of(ErrorKind::Other, None), "the system refuses it and does not say why");
    for errno in TOO_MANY_FILES {
        assert_eq!(of(ErrorKind::Other, Some(errno)), "too many files are open");
    }
}
