//! The pictures of a run.
use crate::figure::{Axis, Chart, Layer, Mark, Series, Span, TimeLine};
use crate::journal::RunFolder;
use crate::run::{PhaseName, PointPurpose, RecordBody, StepRow, StepSource};
use crate::station::Direction;
use crate::store::Summary;

/// Every picture of a run that has something to show, with its name.
#[derive(Clone, Debug, PartialEq)]
pub struct Pictures {
    /// Speeds of each step.
    pub speeds: Option<Chart>,
    /// Deviations of each step against what is allowed.
    pub deviations: Option<Chart>,
    /// The curves that were swept.
    pub curves: Option<Chart>,
    /// The table.
    pub table: Option<Chart>,
    /// The warm-up, and anchors of the sweep.
    pub warm_up: Option<Chart>,
    /// Phases and events.
    pub time_line: TimeLine,
}

impl Pictures {
    /// Each as a file of its own: its name and text.
    #[must_use]
    pub fn files(&self) -> Vec<(&'static str, String)> {
        let charts = [
            ("speeds", &self.speeds),
            ("deviations", &self.deviations),
            ("curves", &self.curves),
            ("table", &self.table),
            ("warm-up", &self.warm_up),
        ];
        let mut files: Vec<(&'static str, String)> =
            charts.into_iter().filter_map(|(name, chart)| Some((name, chart.as_ref()?.alone()))).collect();
        files.push(("time-line", self.time_line.alone()));
        files
    }
}

/// A speed in the person's unit.
#[derive(Clone, Copy, Debug)]
pub(super) struct Unit {
    pub(super) name: &'static str,
    /// Units a mm/s.
    pub(super) factor: f64,
}

/// km/h or mph of the original.
pub(super) fn unit(ratio: f64, mph: bool) -> Unit {
    let kmh = if ratio > 0.0 { ratio * 0.0036 } else { 0.0036 };
    // An international mile is 1.609344 km (exactly, since 1959).
    if mph { Unit { name: "mph", factor: kmh / 1.609_344 } } else { Unit { name: "km/h", factor: kmh } }
}

/// All pictures of a run.
#[must_use]
pub fn pictures(run: &RunFolder, summary: &Summary, mph: bool) -> Pictures {
    let unit = unit(summary.scale_ratio, mph);
    Pictures {
        speeds: speeds(summary, unit),
        deviations: deviations(summary),
        curves: curves(summary, unit),
        table: table(summary),
        warm_up: warm_up(summary),
        time_line: time_line(run),
    }
}

type Reading = fn(&StepRow) -> (Option<f64>, Option<f64>);

const SIDES: [(&str, Series, Reading); 2] = [
    ("forward", Series::A, |row| (row.forward_mm_s, row.forward_u95_mm_s)),
    ("reverse", Series::B, |row| (row.reverse_mm_s, row.reverse_u95_mm_s)),
];

fn speeds(summary: &Summary, unit: Unit) -> Option<Chart> {
    let rows = &summary.steps;
    if rows.is_empty() {
        return None;
    }
    let wanted: Vec<(f64, f64)> =
        rows.iter().map(|row| (f64::from(row.step), row.target_mm_s * unit.factor)).collect();
    let mut layers = vec![Layer::Line(Series::C, "wanted".to_owned(), wanted)];
    for (name, series, read) in SIDES {
        let band = rows.iter().filter_map(|row| {
            let (speed, doubt) = read(row);
            let (speed, doubt) = (speed? * unit.factor, doubt? * unit.factor);
            Some((f64::from(row.step), speed - doubt, speed + doubt))
        });
        layers.push(Layer::Doubt(series, format!("{name}, 95 %"), band.collect()));
        let measured = rows.iter().filter(|row| row.source == StepSource::Measured).filter_map(|row| {
            let (speed, doubt) = read(row);
            Some((f64::from(row.step), speed? * unit.factor, doubt.unwrap_or(0.0) * unit.factor))
        });
        layers.push(Layer::Points(series, format!("{name}, measured"), measured.collect()));
    }
    Some(Chart {
        id: "speeds".to_owned(),
        title: "Scale speed at each step".to_owned(),
        description: format!(
            "Speeds in {} over the steps, wanted, forward and reverse with their doubt; the same figures stand in the table of steps.",
            unit.name
        ),
        x: Axis::new("step"),
        y: Axis::new(unit.name).over(0.0, 0.0),
        layers,
        height: 380.0,
    })
}

fn deviations(summary: &Summary) -> Option<Chart> {
    let measured: Vec<&StepRow> =
        summary.steps.iter().filter(|row| row.source == StepSource::Measured).collect();
    if measured.is_empty() {
        return None;
    }
    let allowed = summary.steps.iter().map(|row| {
        let half = (summary.tolerance_rel * row.target_mm_s).max(summary.tolerance_floor_mm_s);
        (f64::from(row.step), -half, half)
    });
    let mut layers = vec![Layer::Allowed("allowed by the bench file".to_owned(), allowed.collect())];
    for ((name, series, read), aside) in SIDES.into_iter().zip([-0.12, 0.12]) {
        let points = measured.iter().filter_map(|row| {
            let (speed, doubt) = read(row);
            Some((f64::from(row.step) + aside, speed? - row.target_mm_s, doubt.unwrap_or(0.0)))
        });
        layers.push(Layer::Points(series, format!("{name}, 95 %"), points.collect()));
    }
    Some(Chart {
        id: "deviations".to_owned(),
        title: "Deviation from what was wanted".to_owned(),
        description: "Measured speed less wanted speed in mm/s of the model at each measured step, with its doubt, against what is \
                      allowed; the figures stand in the table of steps."
            .to_owned(),
        x: Axis::new("step"),
        y: Axis::new("mm/s, measured less wanted"),
        layers,
        height: 300.0,
    })
}

fn curves(summary: &Summary, unit: Unit) -> Option<Chart> {
    if summary.curve.is_empty() {
        return None;
    }
    let layers = [("forward", Series::A, Direction::Forward), ("reverse", Series::B, Direction::Reverse)]
        .into_iter()
        .flat_map(|(name, series, direction)| {
            let points: Vec<_> = summary.curve.iter().filter(|at| at.direction == direction).collect();
            let line = points.iter().map(|at| (at.drive, at.speed_mm_s * unit.factor)).collect();
            let marks = points
                .iter()
                // Below a speed of nought there is none.
                .map(|at| {
                    (
                        at.drive,
                        at.speed_mm_s * unit.factor,
                        (2.0 * at.u_mm_s).min(at.speed_mm_s) * unit.factor,
                    )
                })
                .collect();
            [Layer::Line(series, String::new(), line), Layer::Points(series, format!("{name}, 95 %"), marks)]
        })
        .collect();
    Some(Chart {
        id: "curves".to_owned(),
        title: "The engine before the table".to_owned(),
        description: format!(
            "Speed in {} over the drive from 0 to 255 with the decoder made linear, forward and reverse, as the sweep measured it.",
            unit.name
        ),
        x: Axis::new("drive, counts of 255"),
        y: Axis::new(unit.name).over(0.0, 0.0),
        layers,
        height: 340.0,
    })
}

fn table(summary: &Summary) -> Option<Chart> {
    let table = summary.table.as_ref()?;
    let points: Vec<(f64, f64)> =
        table.iter().enumerate().map(|(at, value)| (at as f64 + 1.0, f64::from(*value))).collect();
    let marks = points.iter().map(|(x, y)| (*x, *y, 0.0)).collect();
    Some(Chart {
        id: "table".to_owned(),
        title: "The table".to_owned(),
        description:
            "The 28 values of the speed table, CV 67 to CV 94; they stand as numbers beside the picture."
                .to_owned(),
        x: Axis::new("entry"),
        y: Axis::new("value").over(0.0, 255.0),
        layers: vec![
            Layer::Line(Series::D, String::new(), points),
            Layer::Points(Series::D, "value of the entry".to_owned(), marks),
        ],
        height: 260.0,
    })
}

fn warm_up(summary: &Summary) -> Option<Chart> {
    let of = |purposes: &[PointPurpose], direction: Direction| -> Vec<(f64, f64, f64)> {
        let mine = summary
            .points
            .iter()
            .filter(|point| point.direction == direction && purposes.contains(&point.purpose));
        let first = mine.clone().next().map(|point| (point.setting, point.speed_mm_s));
        // One setting alone: speeds of others say nothing of a change.
        mine.filter_map(|point| {
            let (setting, speed) = first?;
            (point.setting == setting && speed > 0.0).then(|| {
                (point.at_s / 60.0, 100.0 * (point.speed_mm_s / speed - 1.0), 200.0 * point.u_mm_s / speed)
            })
        })
        .collect()
    };
    let purposes = [PointPurpose::WarmUp, PointPurpose::RunIn];
    let layers: Vec<Layer> = [
        (Series::A, "forward, 95 %", of(&purposes, Direction::Forward)),
        (Series::B, "reverse, 95 %", of(&purposes, Direction::Reverse)),
    ]
    .into_iter()
    .filter(|(_, _, points)| points.len() > 1)
    .map(|(series, name, points)| Layer::Points(series, name.to_owned(), points))
    .collect();
    if layers.is_empty() {
        return None;
    }
    Some(Chart {
        id: "warm-up".to_owned(),
        title: "Getting warm".to_owned(),
        description: "Change of the speed at one setting against the first measurement, in per cent, over the minutes of the run."
            .to_owned(),
        x: Axis::new("minutes"),
        y: Axis::new("change, %"),
        layers,
        height: 260.0,
    })
}

/// A phase in words.
pub(super) fn phase(name: PhaseName) -> &'static str {
    match name {
        PhaseName::LinkCheck => "links",
        PhaseName::Settling => "settling",
        PhaseName::Snapshot => "reading",
        PhaseName::Baseline => "baseline",
        PhaseName::WarmUp => "warm-up",
        PhaseName::Learn => "learning",
        PhaseName::RunningIn => "running in",
        PhaseName::Rolling => "rolling",
        PhaseName::Sweep => "sweep",
        PhaseName::Placing => "placing",
        PhaseName::Fit => "fit",
        PhaseName::Write => "writing",
        PhaseName::Verify => "verify",
        PhaseName::Recovering => "recovering",
        PhaseName::Restore => "restoring",
        PhaseName::Stopping => "stopping",
        PhaseName::Ended => "ended",
    }
}

/// Events worth a number: bench minutes and words.
pub(super) fn events(run: &RunFolder) -> Vec<(f64, String)> {
    let words = |body: &RecordBody| match body {
        RecordBody::Noted(reason) | RecordBody::Ending(reason) => {
            let seen = crate::cause::all().find(|cause| cause.code == reason.code);
            Some(format!("{} {}", seen.map_or(reason.text.as_str(), |cause| cause.seen), reason.evidence))
        }
        RecordBody::Person(act) => Some(format!("the person: {act:?}").to_lowercase()),
        RecordBody::Asked { what, .. } => Some(format!("asked: {what:?}").to_lowercase()),
        RecordBody::OriginalsBack => Some("the decoder holds its old values again".to_owned()),
        _ => None,
    };
    let of = |record: &crate::run::Record| Some((record.at.as_secs_f64() / 60.0, words(&record.body)?));
    run.records.iter().filter_map(of).collect()
}

fn time_line(run: &RunFolder) -> TimeLine {
    let mut spans: Vec<Span> = Vec::new();
    let last = run.records.last().map_or(0.0, |record| record.at.as_secs_f64() / 60.0);
    for record in &run.records {
        let RecordBody::Phase(name) = record.body else { continue };
        let at = record.at.as_secs_f64() / 60.0;
        if let Some(open) = spans.last_mut() {
            open.to = at;
        }
        if name != PhaseName::Ended {
            spans.push(Span { name: phase(name).to_owned(), from: at, to: last });
        }
    }
    // What takes no time has no place.
    spans.retain(|span| span.to - span.from > 0.002 * last);
    let marks = events(run).into_iter().enumerate().map(|(number, (at, _))| Mark { number: number + 1, at });
    let words: Vec<String> =
        spans.iter().map(|span| format!("{} {:.1} min", span.name, span.to - span.from)).collect();
    TimeLine {
        id: "time".to_owned(),
        title: "The run in time".to_owned(),
        description: words.join(", "),
        axis: Axis::new("minutes of bench time"),
        spans,
        marks: marks.collect(),
    }
}
