use super::*;
use crate::survey_kit::*;

#[test]
fn a_proof_rests_on_every_position_and_what_finds_no_room_is_counted() {
    let site = site(8);
    let at = stamp(4.9);
    let one = &PositionReport { at, ..hereabout_fixtures::located([2.0, 2.0, 0.9]) };
    let whole = Spot { name: "bench".into(), at_m: [2.0, 2.0, 0.9], from: at, to: at };
    let mut proof = Proof::new(&site, None);
    proof.begin(whole.clone());
    (0..25_000).for_each(|_| proof.take_position(one));
    assert_eq!((proof.counts(0), proof.left_out(0)), ((25_000, 25_000), 0), "nothing stops at 20,000");

    let mut small = Proof::with_room(&site, None, 10);
    small.begin(whole);
    (0..25).for_each(|_| small.take_position(one));
    assert_eq!((small.counts(0), small.left_out(0)), ((25, 10), 15));
}
