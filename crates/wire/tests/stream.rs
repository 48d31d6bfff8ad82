//! The decoder over whole streams: good frames come out whole whatever lies between them and however
//! the bytes are cut, frames that lie take no other frame with them, and nothing grows.
#![expect(clippy::unwrap_used, reason = "helpers of tests: a failure here is a failed test")]

use hereabout_core::{Timestamp, Word};
use hereabout_wire::{
    BUFFER_BYTES, Counts, Decoder, FieldName, FrameFields, Item, Layout, MAX_JSON_LINE_BYTES,
    MAX_TEXT_LINE_BYTES, Rejection, Wanted,
};

fn at(us: i64) -> Timestamp {
    Timestamp::from_micros(us)
}

fn binary(source: &str) -> Layout {
    Layout::parse_binary(source).unwrap()
}

fn text(source: &str) -> Layout {
    Layout::parse_text(source).unwrap()
}

fn json(source: &str) -> Layout {
    Layout::parse_json(source).unwrap()
}

/// Frame number `seq` with the given whole ranges.
fn frame(layout: &Layout, seq: u32, ranges: &[i64]) -> Vec<u8> {
    let words: Vec<Word> = ranges.iter().map(|&r| Word::Int(r)).collect();
    let mut out = Vec::new();
    layout.encode(&FrameFields { seq: Some(seq), words: &words, ..Default::default() }, &mut out).unwrap();
    out
}

/// An item without its borrow, and without the stamp.
#[derive(Debug, PartialEq)]
enum Piece {
    Good(u32, Vec<i64>, Vec<u8>),
    Bad(Rejection, Vec<u8>),
}

fn drain(decoder: &mut Decoder, out: &mut Vec<Piece>) {
    while let Some(item) = decoder.next_item() {
        out.push(match item {
            Item::Rejected { reason, bytes } => Piece::Bad(reason, bytes.to_vec()),
            Item::Frame { frame, bytes } => {
                let whole = |word: &Word| if let Word::Int(value) = *word { value } else { i64::MIN };
                let ranges = frame.words.iter().map(whole).collect();
                Piece::Good(frame.seq.unwrap_or(u32::MAX), ranges, bytes.to_vec())
            }
        });
    }
}

/// Decodes a whole stream in chunks of the given sizes (the last one repeats), then ends it.
fn decode(layout: &Layout, stream: &[u8], sizes: &[usize]) -> (Vec<Piece>, Counts) {
    let mut decoder = Decoder::new(layout.clone());
    let mut pieces = Vec::new();
    let mut rest = stream;
    let mut sizes = sizes.iter().copied();
    let mut size = 0;
    while !rest.is_empty() {
        size = sizes.next().unwrap_or(size).max(1);
        let (mut chunk, after) = rest.split_at(size.min(rest.len()));
        while !chunk.is_empty() {
            let count = decoder.push(at(0), chunk);
            drain(&mut decoder, &mut pieces);
            assert!(count > 0, "a drained decoder takes at least one byte");
            assert!(decoder.buffered() <= BUFFER_BYTES);
            chunk = &chunk[count..];
        }
        rest = after;
    }
    decoder.finish();
    drain(&mut decoder, &mut pieces);
    assert_eq!(decoder.buffered(), 0, "everything has been handed out");
    (pieces, decoder.counts())
}

fn good_seqs(pieces: &[Piece]) -> Vec<u32> {
    let seq = |piece: &Piece| if let Piece::Good(seq, ..) = piece { Some(*seq) } else { None };
    pieces.iter().filter_map(seq).collect()
}

fn bad(pieces: &[Piece]) -> Vec<(Rejection, Vec<u8>)> {
    let rejected = |piece: &Piece| {
        if let Piece::Bad(reason, bytes) = piece { Some((*reason, bytes.clone())) } else { None }
    };
    pieces.iter().filter_map(rejected).collect()
}

const SUM8: &str = "c3 5a seq:u8 range:u16le*4 sum8 0a";

#[test]
fn a_clean_stream_comes_out_word_for_word() {
    // Check vector V7: millimetre words, low byte first.
    let layout = binary("range:u16le*8 sum8");
    let mut stream =
        vec![0x40, 0x15, 0x34, 0x21, 0xEB, 0x26, 0x94, 0x1C, 0x47, 0x0E, 0x7D, 0x1E, 0xA0, 0x19, 0x41, 0x11];
    stream.push(0x66); // 0x466 modulo 256, added up outside of this program
    let (pieces, counts) = decode(&layout, &stream, &[stream.len()]);
    let ranges = vec![5440, 8500, 9963, 7316, 3655, 7805, 6560, 4417];
    assert_eq!(pieces, [Piece::Good(u32::MAX, ranges, stream)]);
    assert_eq!(counts, Counts { bytes: 17, frames_good: 1, ..Counts::default() });
}

#[test]
fn a_frame_has_the_stamp_of_the_chunk_with_its_last_byte() {
    let layout = binary(SUM8);
    let mut stream = b"rubbish".to_vec();
    for seq in 0..3 {
        stream.extend(frame(&layout, seq, &[1, 2, 3, 4]));
    }
    // 7 bytes of rubbish, then frames that end with byte 19, 32 and 45.
    let mut decoder = Decoder::new(layout);
    for (stamp, range) in [(10, 0..12), (20, 12..19), (30, 19..20), (40, 20..33), (50, 33..46)] {
        assert_eq!(decoder.push(at(stamp), &stream[range.clone()]), range.len());
    }
    let stamps: Vec<_> = std::iter::from_fn(|| decoder.next_frame()).map(|f| f.received_at).collect();
    assert_eq!(stamps, [at(30), at(40), at(50)]);

    // Two frames in one chunk; draining in between changes nothing; a line ends with its line end.
    let layout = text("seq ',' range");
    let mut decoder = Decoder::new(layout);
    let mut stamps = Vec::new();
    for (stamp, chunk) in [(1, "1,5\n2,"), (2, "6"), (3, "\r"), (4, "\n3,7\n4,8\n"), (5, "5,9")] {
        assert_eq!(decoder.push(at(stamp), chunk.as_bytes()), chunk.len());
        stamps.extend(std::iter::from_fn(|| decoder.next_frame()).map(|f| (f.seq.unwrap(), f.received_at)));
    }
    decoder.finish();
    stamps.extend(std::iter::from_fn(|| decoder.next_frame()).map(|f| (f.seq.unwrap(), f.received_at)));
    assert_eq!(stamps, [(1, at(1)), (2, at(3)), (3, at(4)), (4, at(4)), (5, at(5))]);
}

#[test]
fn rubbish_before_a_frame_is_one_piece() {
    let layout = binary(SUM8);
    let good = frame(&layout, 7, &[1, 2, 3, 4]);
    let mut stream = vec![0, 1, 2, 0xC3, 0xC3];
    stream.extend(&good);
    let (pieces, counts) = decode(&layout, &stream, &[1]);
    let rubbish = Piece::Bad(Rejection::NotAFrame, vec![0, 1, 2, 0xC3, 0xC3]);
    assert_eq!(pieces, [rubbish, Piece::Good(7, vec![1, 2, 3, 4], good)]);
    assert_eq!((counts.frames_good, counts.skipped_bytes, counts.bad_frames), (1, 5, 0));
}

#[test]
fn a_bad_checksum_costs_one_frame_and_is_counted_once() {
    let layout = binary(SUM8);
    let mut stream = frame(&layout, 1, &[1, 2, 3, 4]);
    // The damaged frame holds the header once more, so that two places in it look like a frame's start.
    let mut damaged = frame(&layout, 2, &[0x5AC3, 0x5AC3, 3, 4]);
    damaged[10] ^= 0x40;
    stream.extend(&damaged);
    stream.extend(frame(&layout, 3, &[1, 2, 3, 4]));
    let (pieces, counts) = decode(&layout, &stream, &[5]);
    assert_eq!(good_seqs(&pieces), [1, 3]);
    let (reason, bytes) = &bad(&pieces)[0];
    assert!(
        matches!(reason, Rejection::BadChecksum { at: 11, computed, found } if *computed == (found + 0x40) % 256)
    );
    assert_eq!(bytes, &damaged);
    assert_eq!(bad(&pieces).len(), 1);
    assert_eq!((counts.bad_checksum, counts.bad_frames, counts.skipped_bytes), (1, 0, 13));
}

#[test]
fn a_cut_frame_does_not_take_the_next_one_with_it() {
    for source in [
        SUM8,
        "c3 5a seq:u8 range:u16le*4 0d 0a",
        "5a seq:u8 range:u16le*4 crc-16/arc 0a",
        "seq:u8 range:u16le*4 xor8 0a",
    ] {
        let layout = binary(source);
        for keep in 1..layout.min_frame_len() {
            let mut stream = frame(&layout, 1, &[500, 600, 700, 800]);
            stream.extend(&frame(&layout, 2, &[501, 601, 701, 801])[..keep]);
            stream.extend(frame(&layout, 3, &[502, 602, 702, 802]));
            stream.extend(frame(&layout, 4, &[503, 603, 703, 803]));
            let (pieces, counts) = decode(&layout, &stream, &[3]);
            assert_eq!(good_seqs(&pieces), [1, 3, 4], "{source}, cut to {keep}");
            assert_eq!(counts.skipped_bytes, keep as u64, "{source}, cut to {keep}");
        }
    }
}

#[test]
fn a_wrong_closing_literal_is_told_with_its_place() {
    let layout = binary(SUM8);
    let mut lying = frame(&layout, 1, &[1, 2, 3, 4]);
    lying[12] = 0x0B;
    let mut stream = lying.clone();
    stream.extend(frame(&layout, 2, &[1, 2, 3, 4]));
    let (pieces, counts) = decode(&layout, &stream, &[64]);
    let reason = Rejection::WrongLiteral { at: 12, wanted: 0x0A, found: 0x0B };
    assert_eq!(bad(&pieces), [(reason, lying)]);
    assert_eq!((good_seqs(&pieces), counts.bad_frames), (vec![2], 1));
}

#[test]
fn a_header_inside_the_payload_is_payload() {
    let layout = binary(SUM8);
    let inside = 0x5AC3;
    let mut stream = vec![];
    for seq in 0..20 {
        stream.extend(frame(&layout, seq, &[inside, inside, inside, inside]));
    }
    let (pieces, counts) = decode(&layout, &stream, &[7]);
    assert_eq!(good_seqs(&pieces), (0..20).collect::<Vec<_>>());
    assert_eq!(counts.skipped_bytes, 0);
    // Joined in the middle of a frame: no more than the broken frame is lost.
    let (pieces, counts) = decode(&layout, &stream[5..], &[7]);
    assert_eq!(good_seqs(&pieces), (1..20).collect::<Vec<_>>());
    assert_eq!(counts.skipped_bytes, 8);
}

#[test]
fn long_rubbish_is_handed_out_in_bounded_pieces() {
    let layout = binary(SUM8);
    let mut stream = vec![0xEE; 100_000];
    stream.extend(frame(&layout, 1, &[1, 2, 3, 4]));
    stream.extend([0xC3, 0x5A, 0x01]);
    let (pieces, counts) = decode(&layout, &stream, &[30_000]);
    assert_eq!(good_seqs(&pieces), [1]);
    let rejected = bad(&pieces);
    assert!(rejected.iter().all(|(_, bytes)| bytes.len() <= 256));
    assert_eq!(rejected.last().unwrap(), &(Rejection::Incomplete, vec![0xC3, 0x5A, 0x01]));
    assert_eq!(counts.skipped_bytes, 100_003);
    assert_eq!(rejected.iter().map(|(_, bytes)| bytes.len()).sum::<usize>(), 100_003);
}

#[test]
fn an_undrained_decoder_takes_no_more_than_its_buffer() {
    let mut decoder = Decoder::new(binary(SUM8));
    let flood = vec![0x11; BUFFER_BYTES + 5];
    assert_eq!(decoder.push(at(1), &flood), BUFFER_BYTES);
    assert_eq!(decoder.push(at(2), &flood), 0);
    assert_eq!(decoder.next_frame(), None);
    assert!(decoder.push(at(3), &flood) > 0);
}

#[test]
fn lines_end_with_lf_cr_or_both_and_blank_ones_do_not_count() {
    let layout = text("'R,' seq ',' range*2");
    let (pieces, counts) = decode(&layout, b"R,1,5,6\nR,2,5,6\r\n\r\n  \nR,3,5,6\rR,4,5,6", &[4]);
    assert_eq!(good_seqs(&pieces), [1, 2, 3, 4]);
    assert_eq!(pieces[1], Piece::Good(2, vec![5, 6], b"R,2,5,6".to_vec()));
    assert_eq!(counts, Counts { bytes: 37, frames_good: 4, ..Counts::default() });
}

#[test]
fn a_line_that_does_not_fit_is_told_and_the_rest_goes_on() {
    let layout = text("'R,' seq ',' range*2");
    let (pieces, counts) = decode(&layout, b"R,1,5,6\n# starting\nR,2,5\nR,3,5,6\nR,-1,5,6\n", &[9]);
    assert_eq!(good_seqs(&pieces), [1, 3]);
    let unlike = |at, wanted| Rejection::UnlikeLayout { at, wanted };
    assert_eq!(
        bad(&pieces),
        [
            (unlike(0, Wanted::Literal), b"# starting".to_vec()),
            (unlike(5, Wanted::Literal), b"R,2,5".to_vec()),
            (Rejection::NumberTooBig { field: FieldName::Seq }, b"R,-1,5,6".to_vec()),
        ]
    );
    assert_eq!((counts.bad_frames, counts.skipped_bytes), (3, 23));
}

#[test]
fn a_cut_line_does_not_take_the_one_glued_to_it() {
    let layout = text("'R,' seq ',' range*2");
    let (pieces, counts) = decode(&layout, b"R,1,5R,2,5,6\n\xFF\x00R,R,3,5,6\n", &[5]);
    assert_eq!(good_seqs(&pieces), [2, 3]);
    assert_eq!(
        bad(&pieces).into_iter().map(|(_, bytes)| bytes).collect::<Vec<_>>(),
        [b"R,1,5".to_vec(), b"\xFF\x00R,".to_vec()]
    );
    assert_eq!((counts.bad_frames, counts.skipped_bytes), (2, 9));

    let layout = json("seq=/n range=/d/a range=/d/b");
    let stream = br#"{"n":1,"d":{"a":{"n":2,"d":{"a":5,"b":6}}
{"n":3,"d":{"a":5
{"a":1}
x{"n":4,"d":{"a":5,"b":6}}
"#;
    let (pieces, counts) = decode(&layout, stream, &[11]);
    assert_eq!(good_seqs(&pieces), [2, 4], "an inner object of a broken line is not a frame");
    assert_eq!(counts.bad_frames, 4);
    assert_eq!(bad(&pieces)[2], (Rejection::NoSuchFields, br#"{"a":1}"#.to_vec()));
}

#[test]
fn a_line_that_is_too_long_is_left_out_and_counted_once() {
    for (layout, longest, good) in [
        (text("'R,' seq ',' range"), MAX_TEXT_LINE_BYTES, &b"R,7,5\n"[..]),
        (json("seq=/n range=/d"), MAX_JSON_LINE_BYTES, &br#"{"n":7,"d":5}"#[..]),
    ] {
        for extra in [1, 600, 70_000] {
            let mut stream = vec![b'x'; longest + extra];
            stream.push(b'\n');
            stream.extend(good);
            let (pieces, counts) = decode(&layout, &stream, &[1000]);
            assert_eq!(good_seqs(&pieces), [7]);
            assert_eq!(bad(&pieces)[0].0, Rejection::LineTooLong);
            assert_eq!((counts.long_lines, counts.bad_frames), (1, 0));
            assert_eq!(counts.skipped_bytes, (longest + extra) as u64);

            // Glued to rubbish without a line end, the good line is found all the same.
            stream.remove(longest + extra);
            let (pieces, counts) = decode(&layout, &stream, &[1000]);
            assert_eq!((good_seqs(&pieces), counts.long_lines), (vec![7], 1));
        }
        // The longest line that is allowed is judged as a line.
        let mut stream = vec![b'x'; longest];
        stream.push(b'\n');
        let (_, counts) = decode(&layout, &stream, &[1000]);
        assert_eq!((counts.long_lines, counts.bad_frames), (0, 1));
    }
}

#[test]
fn a_new_stream_after_the_end_of_one_starts_clean() {
    let layout = binary(SUM8);
    let good = frame(&layout, 1, &[1, 2, 3, 4]);
    let mut decoder = Decoder::new(layout);
    decoder.push(at(1), &good[..8]);
    assert_eq!(decoder.next_frame(), None);
    decoder.finish();
    assert_eq!(decoder.next_frame(), None);
    decoder.push(at(2), &good[8..]);
    decoder.push(at(3), &good);
    assert_eq!(decoder.next_frame().map(|f| (f.seq, f.received_at)), Some((Some(1), at(3))));
    assert_eq!(decoder.counts().skipped_bytes, 13);
}

mod properties {
    use super::*;
    use proptest::prelude::*;

    /// Frames: number and four ranges each.
    fn frames() -> impl Strategy<Value = Vec<(u8, [u16; 4])>> {
        prop::collection::vec((any::<u8>(), any::<[u16; 4]>()), 0..12)
    }

    fn cuts() -> impl Strategy<Value = Vec<usize>> {
        prop::collection::vec(1_usize..40, 1..40)
    }

    fn expected(frames: &[(u8, [u16; 4])]) -> Vec<(u32, Vec<i64>)> {
        frames.iter().map(|(seq, r)| (u32::from(*seq), r.map(i64::from).to_vec())).collect()
    }

    fn good(pieces: Vec<Piece>) -> Vec<(u32, Vec<i64>)> {
        let frame = |piece| if let Piece::Good(seq, ranges, _) = piece { Some((seq, ranges)) } else { None };
        pieces.into_iter().filter_map(frame).collect()
    }

    /// The frames with rubbish before each and after the last.
    fn stream(layout: &Layout, frames: &[(u8, [u16; 4])], rubbish: &[Vec<u8>]) -> Vec<u8> {
        let mut out = Vec::new();
        for (i, (seq, ranges)) in frames.iter().enumerate() {
            out.extend(rubbish.get(i).into_iter().flatten());
            out.extend(frame(layout, u32::from(*seq), &ranges.map(i64::from)));
        }
        out.extend(rubbish.get(frames.len()).into_iter().flatten());
        out
    }

    /// Where a frame with header `c3 5a`, 4 words and the two bytes of a CRC at the end could be
    /// read: the plainest reading there is, as the judge of what "cannot form a frame" means.
    fn plain_reading(stream: &[u8]) -> Vec<usize> {
        let crc = crc::Crc::<u16>::new(&crc::CRC_16_XMODEM);
        let fits = |w: &[u8]| w[..2] == [0xC3, 0x5A] && crc.checksum(&w[..11]).to_be_bytes() == w[11..];
        stream.windows(13).enumerate().filter(|(_, w)| fits(w)).map(|(i, _)| i).collect()
    }

    /// Rubbish that is rich in beginnings of frames.
    fn headers_and_noise() -> impl Strategy<Value = Vec<Vec<u8>>> {
        let byte = prop_oneof![2 => Just(0xC3_u8), 2 => Just(0x5A), 3 => any::<u8>()];
        prop::collection::vec(prop::collection::vec(byte, 0..30), 13)
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(100) })]

        #[test]
        fn frames_in_rubbish_come_out_whole(frames in frames(), rubbish in headers_and_noise(), cuts in cuts()) {
            let layout = binary("c3 5a seq:u8 range:u16be*4 crc-16/xmodem");
            let stream = stream(&layout, &frames, &rubbish);
            // Only rubbish that forms no frame, alone or with the bytes of its neighbours.
            prop_assume!(plain_reading(&stream).len() == frames.len());
            let (pieces, counts) = decode(&layout, &stream, &cuts);
            prop_assert_eq!(counts.frames_good, frames.len() as u64);
            prop_assert_eq!(counts.skipped_bytes, (stream.len() - 13 * frames.len()) as u64);
            prop_assert_eq!(good(pieces), expected(&frames));
        }

        #[test]
        fn no_first_byte_in_the_rubbish_is_enough(
            frames in frames(),
            rubbish in prop::collection::vec(prop::collection::vec(0_u8..0xC3, 0..60), 13),
            cuts in cuts(),
        ) {
            for source in [SUM8, "c3 seq:u8 skip*2 range:u16le*4 0d 0a", "c3 range:u16be*4 sum8 seq:u8 xor8"] {
                let layout = binary(source);
                let stream = stream(&layout, &frames, &rubbish);
                prop_assert_eq!(good(decode(&layout, &stream, &cuts).0), expected(&frames), "{}", source);
            }
        }

        #[test]
        fn lines_between_rubbish_lines_come_out_whole(
            frames in frames(),
            rubbish in prop::collection::vec("[^R{}\n\r]{0,40}[\n\r]", 13),
            cuts in cuts(),
        ) {
            let rubbish: Vec<Vec<u8>> = rubbish.into_iter().map(String::into_bytes).collect();
            for layout in [
                text("'R,' seq ',' range*4"),
                text("'R' range*4 by ' ' ' #' seq"),
                json("seq=/n range=/d/0 range=/d/1 range=/d/2 range=/d/3"),
                json("range=/a/r range=/b/r range=/c~1/r seq=/head/0 range=/12/r"),
            ] {
                let stream = stream(&layout, &frames, &rubbish);
                prop_assert_eq!(good(decode(&layout, &stream, &cuts).0), expected(&frames), "{}", layout.source());
            }
        }

        #[test]
        fn how_the_bytes_are_cut_does_not_matter(
            bytes in prop::collection::vec(
                prop_oneof![
                    prop::sample::select(b"\xC3\x5A\x0A\n\r,R12{}:[]\"dn ".to_vec()),
                    any::<u8>(),
                ],
                0..800,
            ),
            cuts in cuts(),
        ) {
            for layout in [
                binary(SUM8),
                binary("seq:u8 range:u8 xor8"),
                binary("skip*2 c3 range:u8 seq:u8 5a"),
                text("'R' seq ',' range*2"),
                json("seq=/n range=/d"),
            ] {
                let cut = decode(&layout, &bytes, &cuts);
                prop_assert_eq!(&cut, &decode(&layout, &bytes, &[bytes.len().max(1)]));
                if layout.min_frame_len() == layout.max_frame_len() {
                    let good = cut.1.frames_good * layout.min_frame_len() as u64;
                    prop_assert_eq!(good + cut.1.skipped_bytes, bytes.len() as u64, "every byte is accounted for");
                }
            }
        }

        #[test]
        fn every_kind_of_number_survives_the_way_there_and_back(
            narrow in prop::num::f32::NORMAL | prop::num::f32::ZERO | prop::num::f32::NEGATIVE,
            wide in prop::num::f64::NORMAL | prop::num::f64::ZERO | prop::num::f64::NEGATIVE,
            whole in any::<i64>(),
            counters in any::<[u32; 3]>(),
            tiny in any::<(i8, i16)>(),
        ) {
            let [tag, seq, millis] = counters;
            let written = [Word::Float(wide), Word::Missing, Word::Int(whole), Word::Missing];
            let fixed = [
                Word::Float(f64::from(narrow)),
                Word::Int(i64::from(tiny.0)),
                Word::Int(i64::from(tiny.1)),
                Word::Int(i64::from(seq >> 8)),
            ];
            for (layout, words) in [
                (
                    binary("tag:u32be range:f32be seq:u32le range:i8 range:i16be millis:u32be range:u24le crc-8/smbus"),
                    fixed,
                ),
                (text("tag ';' seq ';' range*4 ' at ' millis ' ms'"), written),
                (json("tag=/a/b range=/1 seq=/s range=/2 range=/d/3 range=/d/0 millis=/~0"), written),
            ] {
                let fields = FrameFields { tag: Some(tag), seq: Some(seq), millis: Some(millis), words: &words };
                let mut bytes = Vec::new();
                // The text layout has its last range beside a space, where nothing must not stand.
                let mut words = words;
                if layout.encode(&fields, &mut bytes).is_err() {
                    words[3] = Word::Int(-1);
                    layout.encode(&FrameFields { words: &words, ..fields }, &mut bytes).unwrap();
                }
                prop_assert!(bytes.len() >= layout.min_frame_len());
                let mut decoder = Decoder::new(layout);
                decoder.push(at(9), &bytes);
                let frame = decoder.next_frame().unwrap();
                prop_assert_eq!((frame.tag, frame.seq, frame.millis), (Some(tag), Some(seq), Some(millis)));
                prop_assert_eq!(frame.words.as_slice(), words);
            }
        }

        #[test]
        fn any_text_as_a_layout_is_read_or_refused_in_words(source in ".{0,80}|[a-z0-9:*@/'~=, -]{0,60}") {
            for parsed in [Layout::parse_binary(&source), Layout::parse_text(&source), Layout::parse_json(&source)] {
                match parsed {
                    Ok(layout) => prop_assert!(layout.range_fields() >= 1),
                    Err(error) => {
                        prop_assert!(source.get(error.span.clone()).is_some(), "{:?}", error);
                        prop_assert!(error.diagram().ends_with('^'));
                    }
                }
            }
        }
    }

    /// A small generator (xorshift, Marsaglia 2003), so that the long run needs no list of bytes.
    fn next_random(state: &mut u64) -> u64 {
        *state ^= *state << 13;
        *state ^= *state >> 7;
        *state ^= *state << 17;
        *state
    }

    #[test]
    fn megabytes_of_noise_neither_panic_nor_pile_up() {
        for layout in [
            binary("c3 seq:u8 range:u16le*4 sum8"),
            binary("range:f32le*4 crc-32/iso-hdlc"),
            text("'R' range*4"),
            text("range*16"),
            json("range=/d"),
        ] {
            let mut decoder = Decoder::new(layout);
            let mut state = 0x9E37_79B9_7F4A_7C15;
            for _ in 0..2_000 {
                let chunk: Vec<u8> = (0..128).flat_map(|_| next_random(&mut state).to_le_bytes()).collect();
                assert_eq!(decoder.push(at(0), &chunk), chunk.len());
                while decoder.next_frame().is_some() {}
                assert!(decoder.buffered() <= MAX_JSON_LINE_BYTES + 1);
            }
            assert_eq!(decoder.counts().bytes, 2_000 * 1024);
        }
    }
}
