//! Tests of `open_files`.

use super::*;

#[test]
fn clients_get_what_the_link_and_the_log_do_not_need() {
    for (limit, connections) in
        [(Some(64), 24), (Some(1_024), 512), (Some(256), 216), (Some(20), 4), (None, 512)]
    {
        assert_eq!(connections_within(limit), connections, "{limit:?}");
    }
}
