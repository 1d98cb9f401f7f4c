//! What goes wrong in a job, drawn from its seed.
use pacewright::bench::virtual_bench::Fault;
use pacewright::journal::DiskFault;
use pacewright::run::{Input, JournalTrouble, PersonAct};
use pacewright::sim::{Flaws, SimFault};
use pacewright::time::BenchTime;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use std::time::Duration;

/// Random numbers of a seed.
#[derive(Clone, Debug)]
pub(crate) struct Dice(ChaCha8Rng);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    /// From 0 to below `end`. The slight preference of small numbers (2^-40 and less) matters to nobody here.
    pub(crate) fn below(&mut self, end: u64) -> u64 {
        self.0.next_u64() % end.max(1)
    }

    pub(crate) fn between(&mut self, least: u64, most: u64) -> u64 {
        least + self.below(most - least + 1)
    }
}

/// A kind of fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Kind {
    StationCut,
    /// Bytes are lost, connections stay open: half-open sessions.
    StationMute,
    StationHangs,
    StationDrops,
    StationLate,
    /// What it sends comes twice.
    StationTwice,
    StationGarbage,
    StationReboots,
    StationRefuses,
    PowerCut,
    AnotherThrottle,
    AnotherLock,
    SensorCut,
    SensorMute,
    SensorFrozen,
    SensorRestarts,
    SensorRepeats,
    SensorSkips,
    SensorOld,
    SensorGarbage,
    Stalls,
    RunsAway,
    Sags,
    Slips,
    Suspended,
    Pause,
    SwappedInPause,
    PersonStops,
    DiskFull,
    DiskNearlyFull,
    DiskLags,
    /// A write or a sync fails.
    DiskFails,
    /// The program dies, and is started again on what is left.
    Dies,
    /// The same, and the disk loses what was not synced.
    PowerFails,
}

/// All kinds.
pub(crate) const KINDS: [Kind; 34] = [
    Kind::StationCut,
    Kind::StationMute,
    Kind::StationHangs,
    Kind::StationDrops,
    Kind::StationLate,
    Kind::StationTwice,
    Kind::StationGarbage,
    Kind::StationReboots,
    Kind::StationRefuses,
    Kind::PowerCut,
    Kind::AnotherThrottle,
    Kind::AnotherLock,
    Kind::SensorCut,
    Kind::SensorMute,
    Kind::SensorFrozen,
    Kind::SensorRestarts,
    Kind::SensorRepeats,
    Kind::SensorSkips,
    Kind::SensorOld,
    Kind::SensorGarbage,
    Kind::Stalls,
    Kind::RunsAway,
    Kind::Sags,
    Kind::Slips,
    Kind::Suspended,
    Kind::Pause,
    Kind::SwappedInPause,
    Kind::PersonStops,
    Kind::DiskFull,
    Kind::DiskNearlyFull,
    Kind::DiskLags,
    Kind::DiskFails,
    Kind::Dies,
    Kind::PowerFails,
];

/// A span in which something that a checker must know of holds, times from the begin of the first run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Span {
    pub(crate) from: BenchTime,
    pub(crate) to: BenchTime,
}

impl Span {
    pub(crate) fn holds(self, at: BenchTime) -> bool {
        self.from <= at && at <= self.to
    }
}

/// All that goes wrong in a job.
#[derive(Clone, Debug, Default)]
pub(crate) struct Plan {
    /// In words, for whoever replays a seed.
    pub(crate) told: Vec<String>,
    pub(crate) kinds: Vec<Kind>,
    pub(crate) faults: Vec<(BenchTime, Fault)>,
    /// The station does not hear us or does not do as told.
    pub(crate) deaf: Vec<Span>,
    /// The program gets nothing true from the sensor.
    pub(crate) blind: Vec<Span>,
    /// The engine does not do as the station says.
    pub(crate) wild: Vec<Span>,
    /// The process does not run.
    pub(crate) away: Vec<Span>,
    /// The program dies at these times, and whether the disk loses what was not synced.
    pub(crate) deaths: Vec<(BenchTime, bool)>,
    /// When the last fault is over.
    pub(crate) over: BenchTime,
}

impl Plan {
    /// Half of the kinds are switched off by each seed; of the others one to four faults strike.
    /// They strike within `within_ms`.
    pub(crate) fn draw(seed: u64, within_ms: u64) -> Self {
        let mut dice = Dice::new(seed);
        let mut on: Vec<Kind> = KINDS.to_vec();
        while on.len() > KINDS.len() / 2 {
            on.remove(usize::try_from(dice.below(on.len() as u64)).unwrap());
        }
        let mut plan = Self::default();
        for _ in 0..dice.between(1, 4) {
            let kind = on[usize::try_from(dice.below(on.len() as u64)).unwrap()];
            plan.add(kind, within_ms, &mut dice);
        }
        plan.faults.sort_by_key(|(at, _)| *at);
        plan.deaths.sort_by_key(|(at, _)| *at);
        plan
    }

    fn add(&mut self, kind: Kind, within_ms: u64, dice: &mut Dice) {
        let at = BenchTime::from_millis(dice.between(500, within_ms));
        let long_ms = [dice.between(50, 900), dice.between(1000, 8000), dice.between(8000, 90_000)]
            [usize::try_from(dice.below(3)).unwrap()];
        let span = Span { from: at, to: at + Duration::from_millis(long_ms) };
        let strike = self.station(kind, span, dice);
        self.over = self.over.max(span.to);
        self.told.push(format!("{kind:?} at {at} for {:.1} s", long_ms as f64 / 1e3));
        self.kinds.push(kind);
        self.faults.extend(strike);
    }

    /// At the station and on its link.
    fn station(&mut self, kind: Kind, span: Span, dice: &mut Dice) -> Vec<(BenchTime, Fault)> {
        let (at, long) = (span.from, span.to.since(span.from));
        let mut strike = vec![];
        match kind {
            Kind::StationCut => {
                strike.push((at, Fault::StationCut(long)));
                self.deaf.push(span);
            }
            Kind::StationMute => {
                strike.push((at, Fault::StationSilent(long)));
                self.deaf.push(span);
            }
            Kind::StationHangs => {
                strike.push((at, Fault::Sim(SimFault::StationSilent(long))));
                self.deaf.push(span);
            }
            Kind::StationDrops => strike.push((at, Fault::Sim(SimFault::StationDrop(None)))),
            Kind::StationLate => {
                let by = Duration::from_millis(dice.between(50, 3000));
                strike.push((at, Fault::Sim(SimFault::LateReplies(by))));
                strike.push((at + long, Fault::Sim(SimFault::LateReplies(Duration::ZERO))));
                self.deaf.push(span);
            }
            Kind::StationTwice => {
                strike.push((at, Fault::StationTwice(long)));
                self.deaf.push(span);
            }
            Kind::StationGarbage => strike.push((at, Fault::Sim(SimFault::StationGarbage(300)))),
            Kind::StationReboots => {
                strike.push((at, Fault::Sim(SimFault::PowerCut)));
                strike.push((at, Fault::StationCut(long)));
                self.deaf.push(span);
            }
            Kind::StationRefuses => {
                strike.push((at, Fault::Sim(SimFault::StationRefuses(long))));
                self.deaf.push(span);
            }
            Kind::PowerCut => strike.push((at, Fault::Sim(SimFault::PowerCut))),
            Kind::AnotherThrottle => {
                let step = u16::try_from(dice.below(28)).unwrap();
                let forward = dice.below(2) == 0;
                strike.push((at, Fault::Sim(SimFault::AnotherThrottle { step, forward })));
                self.wild.push(Span { from: at, to: at + Duration::from_secs(10) });
            }
            Kind::AnotherLock => {
                strike.push((at, Fault::Sim(SimFault::AnotherLock)));
                // Whose lock it is drives it; the stop goes round it by cutting the power.
                self.deaf.push(Span { from: at, to: at + Duration::from_secs(40) });
            }
            _ => return self.sensor(kind, span, dice),
        }
        strike
    }

    /// At the sensor and on its link.
    fn sensor(&mut self, kind: Kind, span: Span, dice: &mut Dice) -> Vec<(BenchTime, Fault)> {
        let (at, long) = (span.from, span.to.since(span.from));
        let mut strike = vec![];
        match kind {
            Kind::SensorCut => {
                strike.push((at, Fault::SensorCut(long)));
                self.blind.push(span);
            }
            Kind::SensorMute => {
                strike.push((at, Fault::SensorSilent(long)));
                self.blind.push(span);
            }
            Kind::SensorFrozen => {
                strike.push((at, Fault::Sim(SimFault::SensorFrozen)));
                strike.push((at + long, Fault::Sim(SimFault::SensorWell)));
                self.blind.push(span);
            }
            Kind::SensorRestarts => {
                strike.push((at, Fault::Sim(SimFault::SensorRestarts(long))));
                self.blind.push(span);
            }
            Kind::SensorRepeats => {
                strike.push((at, Fault::Sim(SimFault::SensorRepeats { share: 0.3, lasts: long })));
            }
            Kind::SensorSkips => {
                strike.push((at, Fault::Sim(SimFault::SensorSkips { share: 0.3, lasts: long })));
            }
            Kind::SensorOld => {
                strike.push((at, Fault::Sim(SimFault::SensorStalls(long))));
                self.blind.push(span);
            }
            Kind::SensorGarbage => strike.push((at, Fault::Sim(SimFault::SensorGarbage(400)))),
            _ => return self.other(kind, span, dice),
        }
        strike
    }

    /// The engine, the computer, the person.
    fn other(&mut self, kind: Kind, span: Span, dice: &mut Dice) -> Vec<(BenchTime, Fault)> {
        let (at, long) = (span.from, span.to.since(span.from));
        let mut strike = vec![];
        match kind {
            Kind::Stalls => {
                strike.push((at, Fault::Sim(SimFault::Stall)));
                strike.push((at + long, Fault::Sim(SimFault::Freed)));
            }
            Kind::RunsAway => {
                let share = [1.0, 0.3, -0.5][usize::try_from(dice.below(3)).unwrap()];
                strike.push((at, Fault::Sim(SimFault::RunAway(share))));
                strike.push((at + long, Fault::Sim(SimFault::Tamed)));
                self.wild.push(span);
            }
            Kind::Sags => {
                strike.push((at, Fault::Sim(SimFault::Sags(0.8))));
                strike.push((at + long, Fault::Sim(SimFault::Sags(1.0))));
            }
            Kind::Slips => {
                let slips = Flaws { axle_slips: Some(0.4), ..Flaws::default() };
                strike.push((at, Fault::Sim(SimFault::SensorFlawed(slips))));
                strike.push((at + long, Fault::Sim(SimFault::SensorFlawed(Flaws::default()))));
            }
            Kind::Suspended => {
                strike.push((at, Fault::Gap(long)));
                self.away.push(span);
            }
            Kind::Pause | Kind::SwappedInPause => {
                strike.push((at, Fault::Person(PersonAct::Pause)));
                let stands = at + Duration::from_secs(25);
                if kind == Kind::SwappedInPause {
                    strike.push((stands, Fault::Sim(SimFault::Swapped)));
                }
                strike.push((stands + long, Fault::Person(PersonAct::GoOn)));
                self.over = self.over.max(stands + long);
            }
            Kind::PersonStops => strike.push((at, Fault::Person(PersonAct::Stop))),
            Kind::DiskFull => {
                strike.push((at, Fault::DiskRoom(Some(dice.below(3_000_000)))));
                strike.push((at + long, Fault::DiskRoom(None)));
            }
            Kind::DiskNearlyFull => {
                strike.push((at, Fault::DiskRoom(Some(100_000_000))));
                strike.push((at + long, Fault::DiskRoom(None)));
            }
            Kind::DiskLags => {
                strike.push((at, Fault::Told(Input::JournalTrouble(JournalTrouble::Lagging))));
            }
            Kind::DiskFails => {
                let n = dice.between(1, 40);
                let fault = if dice.below(2) == 0 { DiskFault::Write(n) } else { DiskFault::Sync(n) };
                strike.push((at, Fault::Disk(fault)));
            }
            Kind::Dies | Kind::PowerFails => self.deaths.push((at, kind == Kind::PowerFails)),
            _ => {}
        }
        strike
    }
}
