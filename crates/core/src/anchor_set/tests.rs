//! What goes in comes out, and nothing else.

use super::AnchorSet;
use crate::MAX_ANCHORS;

#[test]
fn members_are_those_put_in_and_not_taken_out() {
    let mut set: AnchorSet = [5, 0, 15].into_iter().collect();
    assert_eq!(set.iter().collect::<Vec<_>>(), [0, 5, 15]);
    assert_eq!((set.len(), set.bits()), (3, 1 << 15 | 1 << 5 | 1));
    set.remove(5);
    assert!(!set.contains(5) && set.contains(0) && set.contains(15));
    assert_eq!(AnchorSet::from_bits(set.bits()), set);
    assert!(AnchorSet::EMPTY.is_empty() && !set.is_empty());
}

#[test]
fn an_index_beyond_the_anchors_is_never_a_member() {
    let mut set = AnchorSet::EMPTY;
    set.insert(MAX_ANCHORS);
    set.insert(usize::MAX);
    set.remove(usize::MAX);
    assert!(set.is_empty() && !set.contains(usize::MAX));
    assert_eq!(AnchorSet::first(99).len(), MAX_ANCHORS);
}

#[test]
fn sets_are_compared_and_cut() {
    let (low, odd) = (AnchorSet::first(4), AnchorSet::from_bits(0b10_1010));
    assert_eq!(low.intersection(odd).bits(), 0b1010);
    assert_eq!(odd.difference(low).bits(), 0b10_0000);
    assert!(
        low.contains_all(AnchorSet::first(2)) && !low.contains_all(odd) && low.contains_all(AnchorSet::EMPTY)
    );
}
