//! Some anchors of a site: a bit for each, by the anchor's index in the site.

use crate::MAX_ANCHORS;

const _: () = assert!(MAX_ANCHORS <= 16, "an anchor set has sixteen bits");

/// Some anchors of a site, by their index in it. Indices from [`MAX_ANCHORS`] on are never members.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct AnchorSet(u16);

impl AnchorSet {
    /// No anchor.
    pub const EMPTY: AnchorSet = AnchorSet(0);

    /// The set in which the anchor with index i is a member when bit i is set.
    pub const fn from_bits(bits: u16) -> AnchorSet {
        AnchorSet(bits)
    }

    /// One bit for each member: bit i for the anchor with index i.
    pub const fn bits(self) -> u16 {
        self.0
    }

    /// The anchors with indices 0 to `count` − 1.
    pub fn first(count: usize) -> AnchorSet {
        (0..count.min(MAX_ANCHORS)).collect()
    }

    /// Whether the anchor with this index is a member.
    pub const fn contains(self, index: usize) -> bool {
        index < MAX_ANCHORS && self.0 & (1 << index) != 0
    }

    /// Whether every member of `other` is a member of this set too.
    pub const fn contains_all(self, other: AnchorSet) -> bool {
        self.0 & other.0 == other.0
    }

    /// Makes the anchor with this index a member.
    pub const fn insert(&mut self, index: usize) {
        if index < MAX_ANCHORS {
            self.0 |= 1 << index;
        }
    }

    /// Takes the anchor with this index out.
    pub const fn remove(&mut self, index: usize) {
        if index < MAX_ANCHORS {
            self.0 &= !(1 << index);
        }
    }

    /// The members of both sets.
    pub const fn intersection(self, other: AnchorSet) -> AnchorSet {
        AnchorSet(self.0 & other.0)
    }

    /// The members of this set that are no members of `other`.
    pub const fn difference(self, other: AnchorSet) -> AnchorSet {
        AnchorSet(self.0 & !other.0)
    }

    /// Number of members, 0 to [`MAX_ANCHORS`].
    pub const fn len(self) -> usize {
        self.0.count_ones() as usize
    }

    /// Whether there is no member.
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// The members' indices, ascending.
    pub fn iter(self) -> impl Iterator<Item = usize> {
        (0..MAX_ANCHORS).filter(move |index| self.contains(*index))
    }
}

impl FromIterator<usize> for AnchorSet {
    fn from_iter<I: IntoIterator<Item = usize>>(indices: I) -> AnchorSet {
        let mut set = AnchorSet::EMPTY;
        indices.into_iter().for_each(|index| set.insert(index));
        set
    }
}

#[cfg(test)]
mod tests;
