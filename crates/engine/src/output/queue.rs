//! The queue of what waits to be polled.
//!
//! An [`Output`] is as large as its largest kind, a position or an epoch with more than a kilobyte, and a frame gives
//! one for each zone. Moving that room along with every one of them would cost more than the zones themselves, so the
//! order is kept in small slots, and each large kind has a queue of its own. The table of anchors is larger still,
//! and shared: [`TableRoom`].

use std::collections::VecDeque;
use std::sync::Arc;

use hereabout_core::{TagId, Timestamp};

use super::{
    AnchorChange, AnchorMinute, AnchorTable, FindingChange, JudgedEpoch, KitChange, Output, PositionReport,
    TagChange, ZoneReport,
};

/// What comes next: the thing itself when it is small, or from which queue.
#[derive(Clone, Debug)]
enum Slot {
    Ranges,
    Position,
    Delayed,
    Anchors(Arc<AnchorTable>),
    AnchorChanged(AnchorChange),
    FindingChanged(FindingChange),
    KitChanged(KitChange),
    Minute(AnchorMinute),
    Zone(ZoneReport),
    OutOfOrder { at: Timestamp, newest: Timestamp },
    TagChanged(TagChange),
    TooManyTags { at: Timestamp, tag: TagId },
}

/// First in, first out. Keeps the room that it has.
#[derive(Clone, Debug, Default)]
pub(crate) struct Outputs {
    order: VecDeque<Slot>,
    epochs: VecDeque<JudgedEpoch>,
    /// Both kinds of positions, in their common order.
    positions: VecDeque<PositionReport>,
}

impl Outputs {
    pub(crate) fn push_back(&mut self, output: Output) {
        let slot = match output {
            Output::Ranges(epoch) => {
                self.epochs.push_back(epoch);
                Slot::Ranges
            }
            Output::Position(report) => {
                self.positions.push_back(report);
                Slot::Position
            }
            Output::Delayed(report) => {
                self.positions.push_back(report);
                Slot::Delayed
            }
            Output::Anchors(table) => Slot::Anchors(table),
            Output::AnchorChanged(change) => Slot::AnchorChanged(change),
            Output::FindingChanged(change) => Slot::FindingChanged(change),
            Output::KitChanged(change) => Slot::KitChanged(change),
            Output::Minute(minute) => Slot::Minute(minute),
            Output::Zone(zone) => Slot::Zone(zone),
            Output::OutOfOrder { at, newest } => Slot::OutOfOrder { at, newest },
            Output::TagChanged(change) => Slot::TagChanged(change),
            Output::TooManyTags { at, tag } => Slot::TooManyTags { at, tag },
        };
        self.order.push_back(slot);
    }

    pub(crate) fn extend(&mut self, outputs: impl Iterator<Item = Output>) {
        outputs.for_each(|output| self.push_back(output));
    }

    /// Forgets what waits.
    pub(crate) fn clear(&mut self) {
        self.order.clear();
        self.epochs.clear();
        self.positions.clear();
    }

    pub(crate) fn pop_front(&mut self) -> Option<Output> {
        match self.order.pop_front()? {
            Slot::Ranges => self.epochs.pop_front().map(Output::Ranges),
            Slot::Position => self.positions.pop_front().map(Output::Position),
            Slot::Delayed => self.positions.pop_front().map(Output::Delayed),
            Slot::Anchors(table) => Some(Output::Anchors(table)),
            Slot::AnchorChanged(change) => Some(Output::AnchorChanged(change)),
            Slot::FindingChanged(change) => Some(Output::FindingChanged(change)),
            Slot::KitChanged(change) => Some(Output::KitChanged(change)),
            Slot::Minute(minute) => Some(Output::Minute(minute)),
            Slot::Zone(zone) => Some(Output::Zone(zone)),
            Slot::OutOfOrder { at, newest } => Some(Output::OutOfOrder { at, newest }),
            Slot::TagChanged(change) => Some(Output::TagChanged(change)),
            Slot::TooManyTags { at, tag } => Some(Output::TooManyTags { at, tag }),
        }
    }
}

/// Room for tables of anchors that is used again once whoever took the last one has let go of it.
#[derive(Clone, Debug, Default)]
pub(crate) struct TableRoom([Option<Arc<AnchorTable>>; 2]);

impl TableRoom {
    /// The table in shared room.
    pub(crate) fn share(&mut self, table: AnchorTable) -> Arc<AnchorTable> {
        for room in &mut self.0 {
            let shared = match room {
                None => room.insert(Arc::new(table)),
                Some(shared) => match Arc::get_mut(shared) {
                    None => continue,
                    Some(old) => {
                        *old = table;
                        shared
                    }
                },
            };
            return shared.clone();
        }
        Arc::new(table)
    }
}
