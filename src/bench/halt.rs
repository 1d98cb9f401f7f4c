//! Stopping from nothing: fresh sessions, emergency stop, a time for the engine to come to rest, then power off.
//!
//! The signal stays on for that time because a decoder with an energy store runs on when only the power is cut.
//! Used by the verb `stop` and as the last resort when the program itself failed.
use super::clock::{Clock, TimeLapse, pause};
use super::links::{Happening, IN_TIME, StationLinks};
use crate::cause;
use crate::config::LinkSpec;
use crate::run::StopGrade;
use crate::station::{Action, LinkEvent, LinkOrder, OrderEnd, OrderId, StationEvent, StationMachine};
use std::time::Duration;

/// Time between emergency stop and power off.
const COMING_TO_REST: Duration = Duration::from_secs(2);

/// Whatever the station does, this does not take longer.
const PATIENCE: Duration = Duration::from_secs(30);

/// What came of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Halted {
    /// Acknowledged when the station said so to the emergency stop or to power off. Nobody watched the wheels.
    pub grade: StopGrade,
    /// What the station said to the emergency stop.
    pub stop: String,
    /// What the station said to power off.
    pub power: String,
}

impl Halted {
    /// What came of it, as evidence.
    #[must_use]
    pub fn words(&self) -> String {
        format!("emergency stop: {}; power off: {}", self.stop, self.power)
    }
}

/// Stops whatever the station drives for this engine and cuts its power.
pub async fn halt(machine: Box<dyn StationMachine>, link: &LinkSpec, limit: Duration) -> Halted {
    halt_with(machine, link, limit, true).await
}

/// Cuts the power, and gives no order to any engine: for when nobody knows which it is.
pub(super) async fn cut_power(machine: Box<dyn StationMachine>, link: &LinkSpec, limit: Duration) -> Halted {
    halt_with(machine, link, limit, false).await
}

async fn halt_with(
    machine: Box<dyn StationMachine>,
    link: &LinkSpec,
    limit: Duration,
    engine_known: bool,
) -> Halted {
    let mut halting = Halting {
        machine,
        links: StationLinks::new(link, limit.mul_f64(IN_TIME)),
        clock: Clock::start(TimeLapse::NONE),
        ended: Vec::new(),
        orders: 0,
    };
    let mut halted =
        Halted { grade: StopGrade::Unconfirmed, stop: "no answer".to_owned(), power: "no answer".to_owned() };
    tokio::select! {
        () = halting.work(&mut halted, engine_known) => {}
        () = pause(PATIENCE) => {}
    }
    halting.links.finish(limit).await;
    halted
}

struct Halting {
    machine: Box<dyn StationMachine>,
    links: StationLinks,
    clock: Clock,
    ended: Vec<(OrderId, OrderEnd)>,
    orders: u64,
}

impl Halting {
    async fn work(&mut self, halted: &mut Halted, engine_known: bool) {
        // Attaching may fail in part (no information session, say): the stop is sent whatever comes of it.
        self.carry_out(&Action::Attach).await;
        if engine_known {
            self.stop(halted).await;
        } else {
            "not sent: the engine's address is not known".clone_into(&mut halted.stop);
        }
        let power = self.carry_out(&Action::PowerOff).await;
        halted.power = words(&power);
        if matches!(power, OrderEnd::Done { .. }) {
            halted.grade = StopGrade::Acknowledged;
        }
    }

    async fn stop(&mut self, halted: &mut Halted) {
        let stop = self.carry_out(&Action::EmergencyStop).await;
        halted.stop = words(&stop);
        if matches!(stop, OrderEnd::Done { .. }) {
            halted.grade = StopGrade::Acknowledged;
            let rest = self.clock.now() + COMING_TO_REST;
            while self.clock.now() < rest {
                self.step(Some(rest)).await;
            }
        }
    }

    async fn carry_out(&mut self, action: &Action) -> OrderEnd {
        self.orders += 1;
        let order = OrderId(self.orders);
        self.machine.submit(self.clock.now(), order, action);
        loop {
            self.drain();
            if let Some(at) = self.ended.iter().position(|(id, _)| *id == order) {
                return self.ended.swap_remove(at).1;
            }
            self.step(None).await;
        }
    }

    /// Does what the machine wants and keeps what it tells.
    fn drain(&mut self) {
        while let Some(order) = self.machine.poll_link() {
            match order {
                LinkOrder::Open(session) => self.links.open(session),
                LinkOrder::Send(session, bytes) => self.links.send(session, bytes),
                LinkOrder::Close(session) => self.links.close(session),
            }
        }
        while let Some(event) = self.machine.poll_event() {
            if let StationEvent::Ended { order, end } = event {
                self.ended.push((order, end));
            }
        }
    }

    /// Waits for the next happening or wake-up, at most until `until`, and hands it to the machine.
    async fn step(&mut self, until: Option<crate::time::BenchTime>) {
        let wake = [self.machine.next_wake(), until].into_iter().flatten().min();
        let news = tokio::select! {
            news = self.links.next() => Some(news),
            () = self.clock.sleep_until_any(wake) => None,
        };
        let at = self.clock.now();
        match news {
            None => self.machine.handle_wake(at),
            // A failed link task is no answer: the machine's own limit ends the order.
            Some(Err(_)) => {}
            Some(Ok((session, happening))) => {
                let event = match &happening {
                    Happening::Opened => LinkEvent::Opened,
                    Happening::Bytes(bytes) => LinkEvent::Bytes(bytes),
                    Happening::Closed(why) => LinkEvent::Closed(why),
                };
                self.machine.handle_link(at, session, event);
            }
        }
        self.drain();
    }
}

fn words(end: &OrderEnd) -> String {
    match end {
        OrderEnd::Done { .. } => "carried out, says the station".to_owned(),
        OrderEnd::Refused { code, words } => match cause::find(code) {
            // The code of a cause is our own: the order never reached the station.
            Some(cause) => format!("{words}. {} {}", cause.seen, cause.to_try),
            None => format!("refused by the station: {code} {words}"),
        },
        OrderEnd::Unknown { why } => {
            format!("not known: {}", cause::heard(why, &cause::station::SESSION_LOST).1)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::rescue::{Stopped, stop_bench};
    use crate::bench::simulated::SimulatedBench;
    use crate::sim::demo_engines::lapwing;
    use std::net::SocketAddr;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    use tokio::net::{TcpListener, TcpStream};

    const BENCH: &str = include_str!("../../scenarios/lapwing.toml");

    #[tokio::test]
    async fn a_station_that_answers_acknowledges() {
        let bench = SimulatedBench::open(lapwing(1), TimeLapse::NONE, 0, 0).await.unwrap();
        let text = BENCH.replace("127.0.0.1:4303", &bench.station_address().unwrap().to_string());
        let serving = tokio::spawn(bench.serve());
        let Stopped { halted, mistakes, .. } = stop_bench("bench.toml", &text).await.unwrap();
        assert!(mistakes.is_none());
        assert_eq!(halted.grade, StopGrade::Acknowledged, "{halted:?}");
        assert!(halted.power.contains("carried out"), "{halted:?}");
        let mistaken = text.replace("\"33 mm\"", "\"33 parsecs\"");
        let Stopped { halted, mistakes, .. } = stop_bench("bench.toml", &mistaken).await.unwrap();
        assert_eq!(halted.grade, StopGrade::Acknowledged, "the station is known all the same: {halted:?}");
        assert_eq!(mistakes.map(|wrong| wrong.list().len()), Some(1));
        for (old, new) in [("address = 4\n", "address = 70000\n"), ("\"33 mm\"", "\"33 mm")] {
            let stopped = stop_bench("bench.toml", &text.replace(old, new)).await.unwrap();
            assert!(stopped.halted.power.contains("carried out"), "{new}: {stopped:?}");
            let engine_unknown = new.contains("70000");
            assert_eq!(stopped.halted.stop.contains("not sent"), engine_unknown, "{stopped:?}");
            assert_eq!(stopped.supposed.len(), if engine_unknown { 2 } else { 1 }, "{stopped:?}");
        }
        assert!(stop_bench("bench.toml", "schema = 1").await.is_err());
        serving.abort();
    }

    /// A peer that is gone without a word keeps the connection open: only the question that gets no answer shows it.
    #[tokio::test]
    async fn a_station_that_falls_silent_on_an_open_connection_is_found_by_its_missing_answer() {
        let bench = SimulatedBench::open(lapwing(1), TimeLapse::NONE, 0, 0).await.unwrap();
        let station = bench.station_address().unwrap();
        let serving = tokio::spawn(bench.serve());
        let relay = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let text = BENCH
            .replace("127.0.0.1:4303", &relay.local_addr().unwrap().to_string())
            .replace("bus = 1", "bus = 1\nanswer_limit = \"300 ms\"");
        let relaying = tokio::spawn(async move {
            let mut sessions = tokio::task::JoinSet::new();
            loop {
                let (near, _) = relay.accept().await.unwrap();
                sessions.spawn(carry_until_the_engine_is_set(near, station));
            }
        });
        let Stopped { halted, .. } = stop_bench("bench.toml", &text).await.unwrap();
        let asked = halted.stop.strip_prefix("not known: no answer to `");
        assert!(
            asked.is_some_and(|asked| asked.contains(" GL 4 ") && asked.ends_with("` in time")),
            "{halted:?}"
        );
        assert!(halted.power.contains("carried out"), "a fresh connection took its place: {halted:?}");
        relaying.abort();
        serving.abort();
    }

    /// Carries both ways until a line sets an engine; from then on nothing, with everything left open.
    async fn carry_until_the_engine_is_set(mut near: TcpStream, station: SocketAddr) {
        let mut far = TcpStream::connect(station).await.unwrap();
        let (mut asked, mut said) = (vec![0; 4096], vec![0; 4096]);
        loop {
            tokio::select! {
                count = near.read(&mut asked) => {
                    let bytes = &asked[..count.unwrap()];
                    if String::from_utf8_lossy(bytes).contains(" GL ") {
                        std::future::pending::<()>().await;
                    }
                    far.write_all(bytes).await.unwrap();
                }
                count = far.read(&mut said) => near.write_all(&said[..count.unwrap()]).await.unwrap(),
            }
        }
    }

    #[tokio::test]
    async fn a_station_that_is_not_there_or_says_nothing_leaves_it_unconfirmed() {
        let server = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let text = BENCH
            .replace("127.0.0.1:4303", &server.local_addr().unwrap().to_string())
            .replace("bus = 1", "bus = 1\nanswer_limit = \"300 ms\"");
        let Stopped { halted, mistakes, .. } = stop_bench("bench.toml", &text).await.unwrap();
        assert!(mistakes.is_none());
        assert_eq!(halted.grade, StopGrade::Unconfirmed, "{halted:?}");
        drop(server);
        let Stopped { halted, mistakes, .. } = stop_bench("bench.toml", &text).await.unwrap();
        assert!(mistakes.is_none());
        assert_eq!(halted.grade, StopGrade::Unconfirmed, "{halted:?}");
    }
}
