//! Tests of the phase machine and its parts: stories with scripted answers, and properties under arbitrary happenings.
mod hand;
mod properties;
mod stories_cv;
mod stories_drive;
mod stories_kept;
mod stories_links;
mod stories_low_end;
mod stories_stop;
mod stories_watch;
mod world;

use super::input::RunPlan;
use crate::config;
use std::time::Duration;

/// The bench of these tests: 28 steps, 33 mm, top 200 mm/s, short waits.
const BENCH: &str = r#"
schema = 1
[bench]
name = "test"
[station]
protocol = "srcp"
address = "127.0.0.1:4303"
bus = 1
[sensor]
format = "csv"
address = "127.0.0.1:4311"
[axle]
circumference = "33 mm"
doubt = "0.2 %"
[engine]
name = "Avocet"
address = 7
kind = "short"
scale = "H0"
steps = 28
leading_end = "front"
[path]
kind = "rollers"
[functions]
on = []
[target]
top = "200 mm/s"
creep = "12 mm/s"
[programming]
place = "same_track"
only_engine_on_output = true
"#;

fn plan() -> RunPlan {
    let mut spec =
        config::read("test.toml", BENCH).unwrap_or_else(|wrong| panic!("{}", wrong.render(100, false)));
    (spec.warm_up.shortest, spec.warm_up.longest) = (Duration::from_secs(10), Duration::from_secs(20));
    (spec.sweep.steps, spec.sweep.verify_points) = (config::SweepSteps::Spread(6), 4);
    spec.limits.run_time = Duration::from_secs(1800);
    spec.limits.reconnect = Duration::from_secs(60);
    RunPlan::new(spec)
}
