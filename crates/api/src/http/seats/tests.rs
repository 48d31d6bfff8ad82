use super::*;

#[tokio::test]
async fn the_one_that_was_idle_for_longest_leaves_and_a_busy_one_never() {
    let seats = Seats::new(2);
    let (first, second) = (seats.take().await.unwrap(), seats.take().await.unwrap());
    let (busy, also_busy) = (first.busy(), second.busy());
    assert!(seats.take().await.is_none(), "all are busy");
    // Idle again in this order: the second one has been so for longer.
    drop(also_busy);
    drop(busy);
    let newcomer = tokio::spawn({
        let seats = seats.clone();
        async move { seats.take().await }
    });
    second.sent_away().await;
    assert!(!first.0.leave.is_cancelled());
    drop(second);
    let third = newcomer.await.unwrap().expect("the seat of the second one");
    // Who leaves by itself leaves nothing behind.
    drop((first, third));
    assert!(seats.0.idle().waiting.is_empty());
    assert_eq!(seats.0.free.available_permits(), 2);
}

#[tokio::test]
async fn two_requests_of_one_connection_keep_it_busy_until_both_are_over() {
    let seats = Seats::new(1);
    let seat = seats.take().await.unwrap();
    let (one, two) = (seat.busy(), seat.busy());
    drop(one);
    assert!(!seats.send_one_away());
    drop(two);
    assert!(seats.send_one_away() && !seats.send_one_away());
}
