//! Looks at the sensor alone until it shows the axle standing: what nobody's acknowledgement can prove.
use super::clock::{Clock, TimeLapse, pause};
use super::links::{Happening, SensorLink, SensorNews};
use crate::config::BenchSpec;
use crate::motion::{AxleSetup, Motion, Standing};
use crate::run::desk::sensor_machine;
use crate::sensor::SensorEvent;
use std::time::Duration;

/// Wall time between two attempts to open the link, and for each of them.
const AGAIN: Duration = Duration::from_millis(500);
const CONNECT: Duration = Duration::from_secs(2);
/// It must show standstill for so long, bench time.
const STANDS: Duration = Duration::from_secs(1);

/// How long it took, in wall time, until the sensor had shown standstill for a second; none where it did not `within` that.
pub(crate) async fn seen_to_stand(spec: &BenchSpec, lapse: TimeLapse, within: Duration) -> Option<Duration> {
    let clock = Clock::start(lapse);
    tokio::select! {
        () = stands(spec, &clock) => Some(clock.wall()),
        () = pause(within) => None,
    }
}

async fn stands(spec: &BenchSpec, clock: &Clock) {
    let mut link = SensorLink::new(&spec.sensor.link, CONNECT);
    loop {
        let mut machine = sensor_machine(&spec.sensor);
        let mut motion = Motion::new(AxleSetup {
            circumference_mm: spec.axle.circumference_mm,
            circumference_u_rel: spec.axle.circumference_u_rel,
            source: spec.sensor.source,
            lap: None,
        });
        link.open();
        loop {
            match link.next().await {
                SensorNews::Link(Happening::Opened) => machine.handle_opened(),
                SensorNews::Link(Happening::Bytes(bytes)) => machine.handle_bytes(&bytes),
                SensorNews::Dropped(_) => motion.overrun(),
                SensorNews::Link(Happening::Closed(_)) | SensorNews::Failed(_) => break,
            }
            while let Some(event) = machine.poll_event() {
                match event {
                    SensorEvent::Layout(quantity) => motion.set_layout(quantity),
                    SensorEvent::Sample(sample) => motion.take(clock.now(), sample),
                    SensorEvent::Housekeeping(_) | SensorEvent::Broken(_) => {}
                }
            }
            if matches!(motion.standing(), Standing::For(stood) if stood >= STANDS) {
                return;
            }
        }
        pause(AGAIN).await;
    }
}
