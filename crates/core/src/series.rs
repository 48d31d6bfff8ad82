//! The last few of a series.

use arrayvec::ArrayVec;

/// Adds the newest and drops the oldest when there is no room.
pub fn push_newest<T, const N: usize>(list: &mut ArrayVec<T, N>, newest: T) {
    if list.is_full() {
        list.remove(0);
    }
    list.push(newest);
}

/// The middle value, the upper of two; `None` of nothing. Sorts the values.
pub fn upper_median(values: &mut [f64]) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}
