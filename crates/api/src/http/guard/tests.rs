use super::*;

fn headers(pairs: &[(HeaderName, &'static str)]) -> HeaderMap {
    let mut map = HeaderMap::new();
    for (name, value) in pairs {
        map.append(name, HeaderValue::from_static(value));
    }
    map
}

#[test]
fn only_names_of_this_machine_pass_as_host() {
    // Loopback: RFC 6761 section 6.3 (localhost), RFC 1122 section 3.2.1.3 (127/8), RFC 4291 section 2.5.3 (::1).
    for host in [
        "localhost",
        "LocalHost:6208",
        "127.0.0.1",
        "127.0.0.1:80",
        "127.9.8.7:1",
        "[::1]",
        "[::1]:6208",
        "[::ffff:127.0.0.1]:1",
    ] {
        assert_eq!(check_authority(host), Ok(()), "{host}");
    }
    for host in [
        "larkfield.example",
        "localhost.larkfield.example",
        "127.0.0.1.larkfield.example:6208",
        "127.1",
        "10.0.0.1",
        "0.0.0.0",
        "[::]:6208",
        "[2001:db8::1]",
        "me@localhost",
        "evil.example@localhost",
        "",
        " ",
        ":6208",
        "localhost:port",
        "localhost/x",
    ] {
        assert_eq!(check_authority(host).map_err(|p| p.status), Err(403), "{host}");
    }
}

#[test]
fn only_pages_of_this_machine_pass_as_origin() {
    for origin in ["http://localhost", "http://localhost:3000", "https://127.0.0.1:8443", "http://[::1]:6208"]
    {
        assert_eq!(check_origin(&headers(&[(header::ORIGIN, origin)])), Ok(()), "{origin}");
    }
    for origin in [
        "null",
        "http://larkfield.example",
        "file://",
        "http://localhost.example",
        "ws://localhost",
        "localhost",
        "",
    ] {
        let refused = check_origin(&headers(&[(header::ORIGIN, origin)])).map_err(|p| p.status);
        assert_eq!(refused, Err(403), "{origin}");
    }
    assert_eq!(check_origin(&HeaderMap::new()), Ok(()));
}

#[test]
fn a_header_field_that_is_there_twice_is_malformed() {
    let twice = headers(&[(header::HOST, "localhost"), (header::HOST, "larkfield.example")]);
    assert_eq!(check_host(&twice).map_err(|p| p.status), Err(400));
}
