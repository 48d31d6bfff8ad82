//! Tests of `file_worker`.

use std::sync::mpsc;

use super::*;

#[test]
fn a_disk_that_hangs_is_told_and_neither_piles_up_threads_nor_holds_up_the_end() {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
    let (answer, disk) = mpsc::channel::<()>();
    let mut file_worker = FileWorker::new(Duration::from_millis(50));
    runtime.block_on(async {
        assert_eq!(file_worker.run(|| 7).await, Ok(7));
        let hung = file_worker.run(move || disk.recv().is_ok()).await;
        assert_eq!(hung, Err(Stuck::Now(Duration::from_millis(50))));
        let begun = std::sync::Arc::new(());
        let other = begun.clone();
        assert_eq!(file_worker.run(move || drop(other)).await, Err(Stuck::Before));
        assert_eq!(std::sync::Arc::strong_count(&begun), 1, "the second was not kept for later");
        answer.send(()).unwrap();
        let mut again = file_worker.run(|| 8).await;
        while again == Err(Stuck::Before) {
            tokio::time::sleep(Duration::from_millis(5)).await;
            again = file_worker.run(|| 8).await;
        }
        assert_eq!(again, Ok(8));
    });
    // A thread that never ends: the runtime ends all the same.
    let (_never, disk) = mpsc::channel::<()>();
    assert!(runtime.block_on(file_worker.run(move || disk.recv().is_ok())).is_err());
    drop(runtime);
}

#[tokio::test]
async fn the_end_of_the_daemon_is_the_end_of_waiting() {
    let (_never, disk) = mpsc::channel::<()>();
    let mut file_worker = FileWorker::new(Duration::from_secs(3600));
    let stop = CancellationToken::new();
    file_worker.wait_until(stop.clone());
    let ended = tokio::spawn(async move { file_worker.run(move || disk.recv().is_ok()).await });
    stop.cancel();
    assert_eq!(ended.await.unwrap(), Err(Stuck::Ending));
}

#[tokio::test]
async fn work_that_panics_is_told_and_the_next_is_done() {
    let mut file_worker = FileWorker::new(Duration::from_secs(60));
    assert_eq!(file_worker.run(|| panic!("a broken reader")).await, Err::<(), _>(Stuck::Broken));
    assert_eq!(file_worker.run(|| 9).await, Ok(9));
}
