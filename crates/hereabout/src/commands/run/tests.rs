//! Tests of `run`.

use super::*;

#[tokio::test]
async fn the_end_of_a_vital_task_stops_everything_even_a_panic() {
    for breaks in [false, true] {
        let stop = CancellationToken::new();
        let work = vital(&stop, async move { assert!(!breaks, "a broken task") });
        assert!(!stop.is_cancelled(), "it has not even begun");
        let ended = tokio::spawn(work).await;
        assert_eq!(ended.is_err(), breaks);
        assert!(stop.is_cancelled());
    }
}
