//! What happens to a run: links, samples, the station's words, the journal, the person, gaps in time. Each is taken in
//! here; what follows from it is decided when the run is polled, but for what must end it at once.
use super::{Phase, Run};
use crate::cause::{
    Reason, engine as causes, heard, program as program_causes, record as record_causes,
    sensor as sensor_causes,
};
use crate::run::cx::{Failure, Link};
use crate::run::guards;
use crate::run::input::{JournalTrouble, PersonAct};
use crate::run::outcome::End;
use crate::run::record::RecordBody;
use crate::sensor::{SensorEvent, SensorMachine};
use crate::station::{Session, StationEvent};
use std::time::Duration;

/// Broken sensor lines written down one by one; later ones are only counted, and the count stands in the result.
const BROKEN_TOLD: u64 = 10;

impl Run {
    pub(in crate::run) fn sensor_opened(&mut self) {
        self.cx.sensor.opened(self.cx.now);
    }

    /// It is opened again when the run is polled.
    pub(in crate::run) fn sensor_closed(&mut self, why: &str) {
        let (cause, evidence) = heard(why, &sensor_causes::UNREACHABLE);
        let evidence = format!("sensor: {evidence}");
        let news = self.cx.sensor.closed(self.cx.now, Reason::new(cause, evidence.clone()));
        if self.cx.ordered.0.value > 0 && !self.is_ending() {
            self.meet(Failure::emergency(cause, evidence).by(Link::Sensor));
        } else if news {
            self.cx.note(cause, evidence);
        }
    }

    pub(in crate::run) fn samples_dropped(&mut self) {
        self.cx.motion.overrun();
    }

    /// Takes in everything the sensor machine has.
    pub(in crate::run) fn take_sensor(&mut self, machine: &mut dyn SensorMachine) {
        while let Some(event) = machine.poll_event() {
            match event {
                SensorEvent::Layout(quantity) => self.cx.motion.set_layout(quantity),
                SensorEvent::Sample(sample) => self.cx.motion.take(self.cx.now, sample),
                SensorEvent::Housekeeping(told) => self.cx.keep_house(told),
                SensorEvent::Broken(line) => {
                    self.broken += 1;
                    self.cx.first_broken.get_or_insert_with(|| line.clone());
                    if self.broken <= BROKEN_TOLD {
                        self.cx.record(RecordBody::BrokenLine(line));
                    }
                }
            }
        }
    }

    pub(in crate::run) fn station_heard(&mut self) {
        self.cx.station.heard_at = self.cx.now;
    }

    pub(in crate::run) fn take_station(&mut self, event: StationEvent) {
        self.station_heard();
        if let StationEvent::Ended { order, end } = event {
            self.cx.post(order, end);
            return;
        }
        self.cx.record(RecordBody::Station(event.clone()));
        match event {
            StationEvent::Attached { abilities, .. } => {
                self.cx.station.abilities = Some(abilities);
                self.cx.station.informs = abilities.information;
            }
            StationEvent::Power { on, .. } => {
                self.cx.station.power = Some(on);
                self.cx.station.cut_by_us &= !on;
            }
            StationEvent::SessionLost { session, why } => {
                // Before it was attached, the order to attach says what is wrong.
                let Some(abilities) = self.cx.station.abilities else { return };
                match session {
                    Session::Drive => self.cx.station.lost = Some(why),
                    Session::Information if abilities.information => {
                        self.cx.station.informs = false;
                        self.information.lost(self.cx.now);
                    }
                    // Programming opens its session anew by itself; the rescue session lives for one stop.
                    Session::Information | Session::Programming | Session::Rescue => {}
                }
            }
            StationEvent::Engine { ratio, direction, level } => {
                self.throttles.told(&self.cx, ratio, direction, level);
            }
            StationEvent::LockedByAnother { words } => self.throttles.locked(words),
            StationEvent::Ended { .. } | StationEvent::Oddity { .. } => {}
        }
    }

    pub(in crate::run) fn journal_at(&mut self, written: u64, synced: u64) {
        self.cx.outbox.journal_at(written, synced);
    }

    pub(in crate::run) fn journal_trouble(&mut self, trouble: &JournalTrouble) {
        self.cx.record(RecordBody::Journal(trouble.clone()));
        if let JournalTrouble::NearlyFull(left) = trouble {
            // There is room for an end in order, and for the originals to go back.
            let evidence = format!("{:.0} MB are left", *left as f64 / 1e6);
            return self.fail(Failure::halted(&record_causes::DISK_NEARLY_FULL, evidence));
        }
        let failure = match trouble {
            JournalTrouble::NearlyFull(_) => return,
            JournalTrouble::Lagging => {
                Failure::halted(&record_causes::DISK_LAGGING, "more than a second behind")
            }
            JournalTrouble::Full => {
                Failure::halted(&record_causes::DISK_FULL, "the record could not be written")
            }
            JournalTrouble::Failed(why) => Failure::halted(&record_causes::DISK_FAILED, why.clone()),
        };
        // Without a journal no CV may change: a write waits for its record for ever.
        self.cx.cvs_frozen = true;
        if let Phase::Ending(ending) = &mut self.phase {
            ending.skip_restore();
            ending.reasons.push(failure.reason);
            return;
        }
        self.fail(failure);
    }

    pub(in crate::run) fn task_failed(&mut self, why: &str) {
        self.fail(Failure::emergency(&record_causes::PANIC_IN_TASK, why));
    }

    pub(in crate::run) fn watchman_gone(&mut self, why: &str) {
        self.fail(Failure::halted(&program_causes::WATCHMAN_GONE, why));
    }

    pub(in crate::run) fn gap(&mut self, nanos: u64) {
        self.cx.resumed_at = self.cx.now;
        if let Some(failure) = guards::gap(&self.cx, nanos) {
            return self.fail(failure);
        }
        let engine = if self.cx.may_move {
            "the engine had been told to stand and was not yet seen to"
        } else {
            "the engine stood"
        };
        self.cx.note(&record_causes::GAP_IN_TIME, format!("{:.1} s, {engine}", nanos as f64 / 1e9));
    }

    /// The program died and goes on with the run: all links are lost, and somebody wants the power that the watchman cut.
    pub(in crate::run) fn resumed(&mut self, away_nanos: u64) {
        let away = Duration::from_nanos(away_nanos);
        self.cx.resumed_at = self.cx.now;
        self.cx.outbox.forget();
        // Whoever goes on with a run wants it to go on; a question that was open is asked still.
        if self.resting.take().is_some() || self.pause {
            self.pause = false;
            self.cx.waiting = false;
        }
        self.cx.motion.listen_again();
        self.cx.sensor.lose(self.cx.now);
        self.go_on_after(away);
    }

    pub(in crate::run) fn person(&mut self, act: PersonAct) {
        if let PersonAct::Answer { question, answer } = act {
            self.cx.answered(question, answer);
            return;
        }
        self.cx.record(RecordBody::Person(act));
        match act {
            PersonAct::Pause => self.pause = true,
            PersonAct::GoOn => {
                self.pause = false;
                self.cx.waiting = false;
                if self.resting.take().is_some() && !self.is_ending() {
                    // What was measured before it stood was measured warmer.
                    let stood = if self.cx.ordered.0.value == 0 {
                        self.cx.now.since(self.cx.turned_at)
                    } else {
                        Duration::ZERO
                    };
                    self.exertion.rewind(&self.cx);
                    self.rewind(stood);
                }
            }
            PersonAct::Stop => {
                self.stops += 1;
                if let Phase::Ending(ending) = &mut self.phase {
                    // The first stop may cross a fault that has begun the end already: it does not give up originals.
                    if self.stops > 1 {
                        ending.skip_restore();
                    }
                } else {
                    let reason = Reason::new(&causes::PERSON_STOPPED, format!("at {}", self.cx.now));
                    self.fail(Failure { end: End::Interrupted, reason, emergency: false, link: None });
                }
            }
            PersonAct::Answer { .. } => {}
        }
    }
}
