//! Frames a second into the log and out of it, beside a reference in the same run: the same ranges, one row a
//! statement in one transaction.
#![expect(clippy::unwrap_used, reason = "a bench may stop at the first surprise")]

use std::path::Path;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use hereabout_engine::Output;
use hereabout_store::{LogReader, Record, SessionStart, Store};
use sqlx::Connection;

#[path = "../tests/support/mod.rs"]
mod support;
use support::{at, outputs, start};

const FRAMES: u64 = 40_000;
const REFERENCE_FRAMES: u64 = 1_000;

async fn write_session(path: &Path, said: &[Output]) {
    let writer = Store::open(path).await.unwrap().begin_session(start()).await.unwrap();
    for record in said.iter().filter_map(Record::from_output) {
        writer.push_wait(record).await;
    }
    writer.finish(at(FRAMES)).await.unwrap();
}

async fn read_session(path: &Path) -> u64 {
    let mut cursor = LogReader::open(path).await.unwrap().epochs(1).await.unwrap();
    let mut n = 0;
    loop {
        let batch = cursor.next_batch().await.unwrap();
        if batch.is_empty() {
            return n;
        }
        n += batch.len() as u64;
    }
}

/// The plainest way: each range a statement of its own.
async fn write_one_by_one(path: &Path, said: &[Output]) {
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(path).create_if_missing(true);
    let mut db = sqlx::SqliteConnection::connect_with(&options).await.unwrap();
    sqlx::raw_sql(
        "CREATE TABLE plain (frame INTEGER, anchor INTEGER, raw REAL, range REAL, residual REAL); BEGIN",
    )
    .execute(&mut db)
    .await
    .unwrap();
    let epochs = said.iter().filter_map(|o| if let Output::Ranges(e) = o { Some(e) } else { None });
    for (n, epoch) in (0i64..).zip(epochs) {
        for r in &epoch.ranges {
            sqlx::query("INSERT INTO plain VALUES (?, ?, ?, ?, ?)")
                .bind(n)
                .bind(r.anchor.0)
                .bind(r.raw_range_m)
                .bind(r.range_m)
                .bind(r.residual_m)
                .execute(&mut db)
                .await
                .unwrap();
        }
    }
    sqlx::raw_sql("COMMIT").execute(&mut db).await.unwrap();
    db.close().await.unwrap();
}

fn benches(c: &mut Criterion) {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    let said: Vec<Output> = (1..=FRAMES).flat_map(outputs).collect();
    let folder = tempfile::tempdir().unwrap();
    let mut n = 0;
    let mut fresh = || {
        n += 1;
        folder.path().join(format!("{n}.db"))
    };
    let mut group = c.benchmark_group("log");
    group.sample_size(10);
    group.throughput(Throughput::Elements(REFERENCE_FRAMES));
    group.bench_function("reference: one row a statement", |b| {
        let few = &said[..usize::try_from(2 * REFERENCE_FRAMES).unwrap()];
        b.iter_with_setup(&mut fresh, |path| runtime.block_on(write_one_by_one(&path, few)));
    });
    group.throughput(Throughput::Elements(FRAMES));
    group.bench_function("write frames with fixes", |b| {
        b.iter_with_setup(&mut fresh, |path| runtime.block_on(write_session(&path, &said)));
    });
    let path = fresh();
    runtime.block_on(write_session(&path, &said));
    let size = std::fs::metadata(&path).unwrap().len();
    println!("log size: {:.0} MB for a day at 10 Hz", size as f64 / 1e6 * 864_000.0 / FRAMES as f64);
    group.bench_function("read epochs", |b| {
        b.iter(|| assert_eq!(runtime.block_on(read_session(&path)), FRAMES));
    });
    group.finish();
}

criterion_group!(write, benches);
criterion_main!(write);
