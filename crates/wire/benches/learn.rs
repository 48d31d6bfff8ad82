//! Learning a layout from a megabyte of capture. The reference of the run is the decoder that reads
//! the same bytes once by the layout that was found.
#![expect(clippy::unwrap_used, reason = "a bench that cannot set up its input has nothing to measure")]

#[path = "../tests/common/mod.rs"]
mod common;

use std::hint::black_box;

use common::{Absent, Kit, Number, Piece, Random, Scene, walk};
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use hereabout_core::Timestamp;
use hereabout_wire::learn::{LearnOptions, Outcome, learn};
use hereabout_wire::{Decoder, Layout, Unit};

const MEGABYTE: usize = 1_000_000;

/// A megabyte of frames of an invented kit of eight anchors.
fn capture() -> Vec<u8> {
    let bytes = [0x9D, 0x31].map(Piece::Byte);
    let rest = [Piece::Seq(1), Piece::Ranges { quality: false }, Piece::Sum { row: 0, from: 0 }];
    let pieces = bytes.into_iter().chain(rest).collect();
    let kit = Kit {
        pieces,
        number: Number::U16,
        big_endian: false,
        unit: Unit::Cm,
        absent: Absent::Zero,
        slots: 8,
    };
    let mut random = Random::new(1);
    let mut scene = Scene::usual(8);
    scene.seconds = 6000.0;
    let mut bytes = kit.stream(&walk(&scene, &mut random), 10.0, &mut random).bytes;
    bytes.truncate(MEGABYTE);
    bytes
}

fn decode(layout: &Layout, bytes: &[u8]) -> u64 {
    let mut decoder = Decoder::new(layout.clone());
    let mut rest = bytes;
    while !rest.is_empty() {
        rest = &rest[decoder.push(Timestamp::default(), rest)..];
        while decoder.next_frame().is_some() {}
    }
    decoder.counts().frames_good
}

fn benches(c: &mut Criterion) {
    let bytes = capture();
    let Outcome::Proposal(proposal) = learn(&bytes, None, LearnOptions::default()) else {
        panic!("the bench's own capture is not understood")
    };
    let layout = proposal.frame.parse().unwrap();
    let text: Vec<u8> = (0..MEGABYTE / 32)
        .flat_map(|n| {
            format!("W,{n},{},{},{}\n", 700 + n % 400, 900 - n % 300, 500 + n * 7 % 31).into_bytes()
        })
        .collect();
    let mut random = Random::new(2);
    let noise: Vec<u8> = (0..MEGABYTE).map(|_| random.below(256) as u8).collect();
    let mut group = c.benchmark_group("learn");
    group.sample_size(10);
    group.throughput(Throughput::Bytes(MEGABYTE as u64));
    group.bench_function("binary", |b| b.iter(|| black_box(learn(&bytes, None, LearnOptions::default()))));
    group.bench_function("text", |b| b.iter(|| black_box(learn(&text, None, LearnOptions::default()))));
    group.bench_function("noise", |b| b.iter(|| black_box(learn(&noise, None, LearnOptions::default()))));
    group.bench_function("reference: decode once", |b| b.iter(|| black_box(decode(&layout, &bytes))));
    group.finish();
}

criterion_group!(all, benches);
criterion_main!(all);
