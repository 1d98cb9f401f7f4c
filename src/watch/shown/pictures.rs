//! The pictures of the page: drawn when somebody wants them, and once for all.
use super::{Part, Point, Shown};
use crate::calibrate::TableReading;
use crate::dcc::scale;
use crate::figure::{Axis, Chart, Layer, Ring, Series};
use crate::motion::{FieldView, SignalQuality};
use crate::station::Direction;
use serde_json::{Map, Value, json};
use std::collections::VecDeque;

/// Bench seconds that the trace reaches back.
const REACH_S: f64 = 120.0;
/// Values of the trace that are kept.
const MOST: usize = 512;
/// So far aside, in parts of all steps, stand forward and reverse.
const ASIDE: f64 = 0.004;
/// Points of the ellipse.
const OUTLINE: u32 = 72;

/// Speeds of the last two minutes.
#[derive(Debug, Default)]
pub(super) struct Trace {
    seen: VecDeque<At>,
}

/// Bench time in s, measured and wanted speed in mm/s.
type At = (f64, Option<f64>, Option<f64>);

impl Trace {
    pub(super) fn take(&mut self, at_s: f64, measured: Option<f64>, wanted: Option<f64>) {
        while self.seen.len() >= MOST || self.seen.front().is_some_and(|(first, ..)| at_s - first > REACH_S) {
            self.seen.pop_front();
        }
        self.seen.push_back((at_s, measured, wanted));
    }
}

/// Pictures as they were drawn, with the change that they show.
#[derive(Debug, Default)]
pub(super) struct Drawn {
    curves: Part<Value>,
    live: Part<Value>,
}

impl Shown {
    /// Adds the pictures that changed since.
    pub(super) fn pictures(&mut self, from: u64, frame: &mut Map<String, Value>) {
        if self.points.at > self.drawn.curves.at {
            let drawn = self.curves();
            self.drawn.curves.set(self.points.at, drawn);
        }
        if self.drawn.curves.at > from {
            frame.insert("curves".to_owned(), self.drawn.curves.value.clone());
        }
        if self.now.at > self.drawn.live.at {
            let drawn = self.live();
            self.drawn.live.set(self.now.at, drawn);
        }
        if self.drawn.live.at > from {
            frame.insert("live".to_owned(), self.drawn.live.value.clone());
        }
    }

    fn kmh(&self, mm_s: f64) -> f64 {
        scale::kmh(mm_s, self.ratio)
    }

    fn curves(&self) -> Value {
        let verify = self.curve(true).map(|chart| chart.in_page());
        let sweep = self.curve(false).map(|chart| chart.in_page());
        verify.into_iter().chain(sweep).map(Value::from).collect()
    }

    /// The points of the verify, or those of the sweep.
    fn curve(&self, verify: bool) -> Option<Chart> {
        let points: Vec<&Point> = self.points.value.iter().filter(|point| point.verify == verify).collect();
        if points.is_empty() {
            return None;
        }
        let mut layers = Vec::new();
        if let Some(target) = self.target.as_ref().filter(|_| verify) {
            let of = self.step_mode;
            let wanted = (1..=of)
                .map(|step| (f64::from(step), self.kmh(target.at(TableReading::EndToEnd.entry(step, of)))));
            layers.push(Layer::Line(Series::C, "wanted".to_owned(), wanted.collect()));
        }
        for (name, series, side) in
            [("forward", Series::A, Direction::Forward), ("reverse", Series::B, Direction::Reverse)]
        {
            // Side by side, or the one would hide the other.
            let aside = if side == Direction::Forward { -ASIDE } else { ASIDE } * f64::from(self.step_mode);
            let of_side = points.iter().filter(|point| point.direction == side);
            let seen = of_side.map(|point| {
                let half = (2.0 * point.u_mm_s).min(point.speed_mm_s);
                (point.setting + aside, self.kmh(point.speed_mm_s), self.kmh(half))
            });
            layers.push(Layer::Points(series, format!("{name}, 95 %"), seen.collect()));
        }
        let (id, title) =
            if verify { ("verified", "With the new table") } else { ("swept", "The engine without a table") };
        Some(Chart {
            id: id.to_owned(),
            title: title.to_owned(),
            description: format!(
                "{title}: {} points measured, scale speed over the step, forward and reverse with their doubt.",
                points.len()
            ),
            x: Axis::new("step"),
            y: Axis::new("km/h").over(0.0, 0.0),
            layers,
            height: 340.0,
        })
    }

    fn live(&self) -> Value {
        let progress = self.now.value.as_ref().map(|(_, progress)| progress);
        let field = progress.and_then(|progress| {
            let view = progress.field.as_ref()?;
            Some(json!({ "svg": ring(view).in_page(), "words": progress.quality.as_ref().map(quality) }))
        });
        json!({ "trace": self.trace_chart().in_page(), "field": field })
    }

    fn trace_chart(&self) -> Chart {
        let last = self.trace.seen.back().map_or(0.0, |(at_s, ..)| *at_s);
        let over = |of: fn(&At) -> Option<f64>| -> Vec<(f64, f64)> {
            self.trace.seen.iter().filter_map(|seen| Some((seen.0 - last, self.kmh(of(seen)?)))).collect()
        };
        Chart {
            id: "trace".to_owned(),
            title: "Speed in the last two minutes".to_owned(),
            description: "Scale speed over bench time, measured and wanted; the newest figures stand above."
                .to_owned(),
            x: Axis::new("seconds of bench time").over(-REACH_S, 0.0),
            y: Axis::new("km/h").over(0.0, 0.0),
            layers: vec![
                Layer::Line(Series::C, "wanted".to_owned(), over(|seen| seen.2)),
                Layer::Line(Series::A, "measured".to_owned(), over(|seen| seen.1)),
            ],
            height: 220.0,
        }
    }
}

fn ring(view: &FieldView) -> Ring {
    let turn = 2.0 * core::f64::consts::PI;
    let on = |point: [f64; 2]| (point[0], point[1]);
    Ring {
        id: "field".to_owned(),
        title: "The turning field".to_owned(),
        description: "The sensor's field in the plane in which it turns: points seen, the ellipse through them, and where it is now."
            .to_owned(),
        outline: (0..OUTLINE).map(|n| on(view.at(f64::from(n) * turn / f64::from(OUTLINE)))).collect(),
        points: view.points.iter().copied().map(on).collect(),
        now: view.now.map(on),
        unit: String::new(),
    }
}

/// The signal in figures: words, value and decimals of each.
fn quality(quality: &SignalQuality) -> Value {
    json!([
        ["amplitude, in the sensor's unit", quality.amplitude, 1],
        ["smaller amplitude over the larger", quality.amplitude_ratio, 2],
        ["noise over the amplitude", quality.noise_ratio, 4],
        ["samples a second", quality.rate_hz, 0],
    ])
}
