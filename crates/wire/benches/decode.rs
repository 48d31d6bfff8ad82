//! Decoder throughput on a clean stream of each form, in bytes per second. The reference of the run
//! is a plain copy of the same bytes.
#![expect(clippy::unwrap_used, reason = "a bench that cannot set up its input has nothing to measure")]

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use hereabout_core::{Timestamp, Word};
use hereabout_wire::{Decoder, FrameFields, Layout};

const FRAMES: u32 = 10_000;

fn stream(layout: &Layout) -> Vec<u8> {
    let mut bytes = Vec::new();
    for n in 0..FRAMES {
        let words: Vec<Word> = (0..8).map(|i| Word::Int(i64::from((n * 37 + i * 411) % 3000))).collect();
        let fields =
            FrameFields { tag: Some(n % 3), seq: Some(n % 256), millis: Some(n * 100), words: &words };
        layout.encode(&fields, &mut bytes).unwrap();
    }
    bytes
}

/// Decodes everything in chunks of 4096 bytes; the number of good frames.
fn decode(decoder: &mut Decoder, bytes: &[u8]) -> u32 {
    let mut frames = 0;
    for chunk in bytes.chunks(4096) {
        let mut rest = chunk;
        while !rest.is_empty() {
            let count = decoder.push(Timestamp::from_micros(1), rest);
            rest = &rest[count..];
            while let Some(frame) = decoder.next_frame() {
                black_box(&frame);
                frames += 1;
            }
        }
    }
    frames
}

fn benches(c: &mut Criterion) {
    let range_pointers: String = (0..8).map(|i| format!(" range=/d/{i}")).collect();
    let layouts = [
        ("binary sum8", Layout::parse_binary("c3 5a seq:u8 range:u16le*8 sum8 0a")),
        ("binary crc16", Layout::parse_binary("c3 5a seq:u8 range:u16le*8 crc-16/modbus 0a")),
        ("text", Layout::parse_text("'R,' tag ',' seq ',' range*8")),
        ("json", Layout::parse_json(&format!("tag=/t seq=/n{range_pointers}"))),
    ];
    let mut group = c.benchmark_group("decode");
    for (name, layout) in layouts {
        let layout = layout.unwrap();
        let bytes = stream(&layout);
        group.throughput(Throughput::Bytes(bytes.len() as u64));
        group.bench_function(name, |b| {
            let mut decoder = Decoder::new(layout.clone());
            b.iter(|| assert_eq!(decode(&mut decoder, black_box(&bytes)), FRAMES));
        });
    }
    let rubbish = [0xC3_u8, 0x5A].repeat(128 * 1024);
    group.throughput(Throughput::Bytes(rubbish.len() as u64));
    group.bench_function("binary, nothing but headers", |b| {
        let layout = Layout::parse_binary("c3 5a seq:u8 range:u16le*8 sum8 0a").unwrap();
        let mut decoder = Decoder::new(layout);
        b.iter(|| assert_eq!(decode(&mut decoder, black_box(&rubbish)), 0));
    });
    group.bench_function("reference: copy", |b| b.iter(|| black_box(black_box(&rubbish).clone())));
    group.finish();
}

criterion_group!(all, benches);
criterion_main!(all);
