use std::fs;

use super::*;

fn at(us: i64) -> Timestamp {
    Timestamp::from_micros(us)
}

fn steps(bin: &Path) -> Vec<CaptureStep> {
    let mut reader = CaptureReader::open(bin).unwrap();
    std::iter::from_fn(|| reader.next_step().unwrap()).collect()
}

fn times_error(rows: &str) -> (u64, TimesProblem) {
    let dir = tempfile::tempdir().unwrap();
    let bin = dir.path().join("a.bin");
    fs::write(&bin, [7; 10_000]).unwrap();
    fs::write(dir.path().join("a.times.csv"), rows).unwrap();
    let failed = match CaptureReader::open(&bin) {
        Err(e) => e,
        Ok(mut reader) => loop {
            match reader.next_step() {
                Ok(Some(_)) => {}
                Ok(None) => panic!("no error in {rows:?}"),
                Err(e) => break e,
            }
        },
    };
    match failed {
        CaptureFault::Times { line, problem, .. } => (line, problem),
        other => panic!("{other:?}"),
    }
}

#[test]
fn what_was_written_is_read_back_read_by_read() {
    let dir = tempfile::tempdir().unwrap();
    let bin = dir.path().join("walk.bin");
    let reads = [
        (at(1_777_885_951_204_512), vec![1, 2, 3]),
        (at(1_777_885_951_204_512), vec![4]),
        (at(1_777_885_952_000_001), vec![5; 4096]),
    ];
    let mut writer = CaptureWriter::create(&bin).unwrap();
    for (at, bytes) in &reads {
        writer.write(*at, bytes).unwrap();
        writer.write(*at, &[]).unwrap();
    }
    assert_eq!(writer.bytes_written(), 4100);
    writer.flush().unwrap();
    let back: Vec<_> = steps(&bin).into_iter().map(|s| (s.at.unwrap(), s.bytes)).collect();
    assert_eq!(back, reads);
    let times = fs::read_to_string(dir.path().join("walk.times.csv")).unwrap();
    assert_eq!(times, "byte_offset,time_s\n0,1777885951.204512\n3,1777885951.204512\n4,1777885952.000001\n");
}

#[test]
fn a_long_read_comes_in_pieces_with_one_stamp() {
    let dir = tempfile::tempdir().unwrap();
    let bin = dir.path().join("a.bin");
    let bytes: Vec<u8> = (0..10_000u32).map(|i| i as u8).collect();
    let mut writer = CaptureWriter::create(&bin).unwrap();
    writer.write(at(5), &bytes).unwrap();
    writer.write(at(6), b"end").unwrap();
    writer.flush().unwrap();
    let steps = steps(&bin);
    assert_eq!(steps.iter().map(|s| s.bytes.len()).collect::<Vec<_>>(), [4096, 4096, 1808, 3]);
    assert_eq!(
        steps.iter().map(|s| s.at).collect::<Vec<_>>(),
        [Some(at(5)), Some(at(5)), Some(at(5)), Some(at(6))]
    );
    assert_eq!(steps.iter().flat_map(|s| s.bytes.clone()).collect::<Vec<_>>()[..10_000], bytes);
}

#[test]
fn without_times_the_bytes_come_without_stamps() {
    let dir = tempfile::tempdir().unwrap();
    let bin = dir.path().join("a.bin");
    fs::write(&bin, [7; 5000]).unwrap();
    assert!(!CaptureReader::open(&bin).unwrap().has_times());
    let steps = steps(&bin);
    assert_eq!(steps.iter().map(|s| (s.at, s.bytes.len())).collect::<Vec<_>>(), [(None, 4096), (None, 904)]);
}

#[test]
fn rows_beyond_the_bytes_are_ignored_and_bytes_beyond_the_rows_belong_to_the_last() {
    let dir = tempfile::tempdir().unwrap();
    let bin = dir.path().join("a.bin");
    fs::write(&bin, b"abcdef").unwrap();
    fs::write(dir.path().join("a.times.csv"), "byte_offset,time_s\r\n0,1\r\n\r\n2,2.5\r\n6,3\r\n99,4\r\n")
        .unwrap();
    let back: Vec<_> = steps(&bin).into_iter().map(|s| (s.at.unwrap(), s.bytes)).collect();
    assert_eq!(back, [(at(1_000_000), b"ab".to_vec()), (at(2_500_000), b"cdef".to_vec())]);
}

#[test]
fn wrong_rows_are_told_with_their_line() {
    assert_eq!(times_error("time_s,byte_offset\n").0, 1);
    assert_eq!(times_error("").0, 1);
    assert_eq!(times_error("byte_offset,time_s\n5,1\n").0, 2);
    assert_eq!(times_error("byte_offset,time_s\n0,1\n\n8,one\n").0, 4);
    assert_eq!(times_error("byte_offset,time_s\n0,1\n8,NaN\n").0, 3);
    assert_eq!(times_error("byte_offset,time_s\n0,1\n8\n").0, 3);
    assert_eq!(times_error("byte_offset,time_s\n0,1\n8,2\n8,3\n"), (4, TimesProblem::OffsetNotUp));
    assert_eq!(times_error("byte_offset,time_s\n0,1\n8,2\n9,1.9\n"), (4, TimesProblem::TimeBackward));
    let long = format!("byte_offset,time_s\n0,1\n{}\n", "9".repeat(100_000));
    let (line, problem) = times_error(&long);
    assert!(matches!(&problem, TimesProblem::NotARow { found } if found.len() < 250), "{problem:?}");
    assert_eq!(line, 3);
}

#[test]
fn a_missing_file_and_a_folder_are_named() {
    let dir = tempfile::tempdir().unwrap();
    let missing = CaptureReader::open(&dir.path().join("no.bin")).err().unwrap();
    assert!(matches!(&missing, CaptureFault::Io { path, .. } if path.ends_with("no.bin")), "{missing:?}");
    assert!(matches!(CaptureReader::open(dir.path()).err().unwrap(), CaptureFault::NotAFile { .. }));
    let nowhere = dir.path().join("no").join("a.bin");
    assert!(matches!(CaptureWriter::create(&nowhere).err().unwrap(), CaptureFault::Io { .. }));
}
