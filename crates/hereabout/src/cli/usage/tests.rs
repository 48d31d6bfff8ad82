//! Tests of `usage`.

use clap::Parser;

use super::*;
use crate::cli::Cli;

fn words(args: &[&str]) -> String {
    let error = Cli::try_parse_from([&["hereabout"], args].concat()).unwrap_err();
    usage_words(&error).unwrap_or_else(|| panic!("{args:?}: {error}"))
}

#[test]
fn a_command_line_that_is_wrong_is_told_in_our_words() {
    let cases: [(&[&str], &str); 10] = [
        (&["simulate", "a.toml", "--speed", "fast", "--out", "b.bin"], "\"fast\" is not a number"),
        (&["anchors", "--mended", "one", "--key", "k"], "\"one\" is not a whole number"),
        (&["anchors", "--timeout", "soon"], "\"soon\" is not a time"),
        (&["anchors", "--timeout", "5"], "\"5\" is not a time"),
        (&["run", "site.toml", "--listen", "here"], "\"here\" is not an address with a port"),
        (&["run"], "missing: <SITE>"),
        (&["start", "--dimension", "4d"], "\"4d\" is not one of 2d, 3d"),
        (&["check", "site.toml", "--jsn"], "there is no --jsn here; did you mean --json?"),
        (&["chek", "site.toml"], "there is no command chek; did you mean check?"),
        (&["anchors", "--mended", "1", "--key", "k", "--json"], "--mended <ID> cannot be used with --json"),
    ];
    for (args, what) in cases {
        let words = words(args);
        assert!(words.contains(what), "{args:?}: {words}");
        for library in ["literal", "digit", "invalid", "unexpected", "tip:", "the argument", "error:"] {
            assert!(!words.contains(library), "{args:?}: {words}");
        }
        assert!(words.contains("--help"), "{words}");
    }
}

#[test]
fn help_is_left_as_it_is() {
    for args in [["hereabout", "--help"], ["hereabout", "--version"]] {
        let error = Cli::try_parse_from(args).unwrap_err();
        assert!(usage_words(&error).is_none());
    }
}
