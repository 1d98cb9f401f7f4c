//! Orders and records on their way out. An order that may make the engine faster, or that changes a CV, waits here until
//! the record of it is as safe as it must be; a stop waits for nothing, and what waited is then over.
use super::input::Output;
use super::record::{Durability, Record, RecordBody};
use crate::station::{Action, OrderEnd, OrderId};
use crate::time::BenchTime;
use std::collections::{BTreeMap, VecDeque};

/// An order that waits for its record to be safe.
#[derive(Debug)]
struct Gated {
    since: BenchTime,
    record: u64,
    durability: Durability,
    order: OrderId,
    action: Action,
}

/// What leaves a run, and the ends of its orders as they come back.
#[derive(Debug, Default)]
pub(super) struct Outbox {
    orders_given: u64,
    records_written: u64,
    ends: BTreeMap<OrderId, OrderEnd>,
    gate: VecDeque<Gated>,
    /// Last record that is written, and last one that is synced.
    journal: (u64, u64),
    orders: VecDeque<(OrderId, Action)>,
    outputs: VecDeque<Output>,
}

impl Outbox {
    /// Writes a record down; its number.
    pub(super) fn record(&mut self, at: BenchTime, body: RecordBody) -> u64 {
        self.records_written += 1;
        let n = self.records_written;
        self.outputs.push_back(Output::Record(Record { n, at, body }));
        n
    }

    /// Gives an order. `rising`: the engine may go faster than it went.
    pub(super) fn order(&mut self, at: BenchTime, action: Action, rising: bool) -> OrderId {
        self.orders_given += 1;
        let order = OrderId(self.orders_given);
        if matches!(action, Action::Stop | Action::EmergencyStop | Action::PowerOff) {
            self.drop_gated();
            self.orders.push_back((order, action.clone()));
            self.record(at, RecordBody::Ordered { order, action, rising });
            return order;
        }
        let body = RecordBody::Ordered { order, action: action.clone(), rising };
        let durability = body.durability();
        let record = self.record(at, body);
        self.gate.push_back(Gated { since: at, record, durability, order, action });
        self.open_gate();
        order
    }

    /// Orders that never left are over: a stop has been ordered.
    fn drop_gated(&mut self) {
        for gated in std::mem::take(&mut self.gate) {
            let end =
                OrderEnd::Refused { code: "superseded".to_owned(), words: "a stop came first".to_owned() };
            self.ends.insert(gated.order, end);
        }
    }

    /// The program died: orders that never left are over, and the ends of the others will not come to anybody.
    pub(super) fn forget(&mut self) {
        self.drop_gated();
        self.orders.clear();
    }

    /// The journal is this far.
    pub(super) fn journal_at(&mut self, written: u64, synced: u64) {
        self.journal = (self.journal.0.max(written), self.journal.1.max(synced));
        self.open_gate();
    }

    fn open_gate(&mut self) {
        while let Some(first) = self.gate.front() {
            if !self.is_safe(first.record, first.durability) {
                break;
            }
            if let Some(gated) = self.gate.pop_front() {
                self.orders.push_back((gated.order, gated.action));
            }
        }
    }

    /// Whether record `n` is as safe as asked.
    pub(super) fn is_safe(&self, n: u64, durability: Durability) -> bool {
        match durability {
            Durability::Behind => true,
            Durability::Written => self.journal.0 >= n,
            Durability::Synced => self.journal.1 >= n,
        }
    }

    /// Since when an order has waited for its record.
    pub(super) fn gated_since(&self) -> Option<BenchTime> {
        self.gate.front().map(|gated| gated.since)
    }

    /// An order's end came from the station.
    pub(super) fn post(&mut self, at: BenchTime, order: OrderId, end: OrderEnd) {
        self.record(at, RecordBody::OrderEnded { order, end: end.clone() });
        self.ends.insert(order, end);
    }

    /// The end of this order, once it is there.
    pub(super) fn ended(&mut self, order: OrderId) -> Option<OrderEnd> {
        self.ends.remove(&order)
    }

    pub(super) fn poll_order(&mut self) -> Option<(OrderId, Action)> {
        self.orders.pop_front()
    }

    pub(super) fn push(&mut self, output: Output) {
        self.outputs.push_back(output);
    }

    pub(super) fn poll_output(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }
}
