//! The end of a run as the person reads it: verdict, the 28 steps, trims, how sure the stop is, reasons, the record.
use super::budget;
use super::result::{ResultJson, StepJson};
use super::show::lapse_mark;
use crate::bench::clock::TimeLapse;
use crate::dcc::scale;
use crate::run::{EngineFound, StepSource};
use crate::words;
use std::fmt::Write;

/// The whole text. `scale_ratio` is N of 1:N.
pub(crate) fn end_of_run(result: &ResultJson, scale_ratio: f64, lapse: TimeLapse) -> String {
    let mut text = format!("\n{}{}\n", words::end(result.outcome), lapse_mark(lapse));
    steps(&mut text, result, scale_ratio);
    // Writing into a text cannot fail; the same holds below.
    let _ = writeln!(text, "  verdict   {}", words::verdict(result.verdict));
    if let Some(worst) = result.worst_deviation_percent {
        let doubt =
            result.worst_deviation_u_percent.map_or_else(String::new, |u| format!(" +- {:.2}", 2.0 * u));
        let _ = writeln!(text, "  worst     {worst:.2}{doubt} % of the top speed wanted (95 % doubt)");
    }
    if let (Some(forward), Some(reverse)) = (result.trim_forward, result.trim_reverse) {
        let _ = writeln!(text, "  trims     CV 66 = {forward} forward, CV 95 = {reverse} reverse");
    }
    if let Some(table) = &result.table {
        let entries: Vec<String> = table.iter().map(u8::to_string).collect();
        for (row, half) in entries.chunks(14).enumerate() {
            let first = 67 + 14 * row;
            let label = if row == 0 { "table" } else { "" };
            let _ =
                writeln!(text, "  {label:<9} CV {first} to {} = {}", first + half.len() - 1, half.join(" "));
        }
    }
    if let Some(points) = &result.three_points {
        let (start, middle, top) = (points.start, points.middle, points.top);
        let _ = writeln!(text, "  points    CV 2 = {start}, CV 6 = {middle}, CV 5 = {top}");
    }
    text += &budget::lines(&result.budget);
    if let Some(engine) = &result.engine {
        found(&mut text, engine);
    }
    let _ = writeln!(text, "  decoder   {}", words::decoder(result.decoder_state));
    if !result.restore_pending.is_empty() {
        let list: Vec<String> =
            result.restore_pending.iter().map(|(cv, value)| format!("CV {cv} = {value}")).collect();
        let _ = writeln!(text, "  RESTORE PENDING: the next start puts back {}", list.join(", "));
    }
    if let Some(grade) = result.stop {
        let _ = writeln!(text, "  engine    {}", words::stop(grade));
    }
    if let (Some(bench), Some(wall)) = (result.bench_seconds, result.wall_seconds) {
        let bench =
            if lapse.is_on() { format!("{} of bench time in ", words::span(bench)) } else { String::new() };
        let _ = writeln!(text, "  time      {bench}{}", words::span(wall));
    }
    if let Some(broken) = result.broken_sensor_lines.filter(|broken| *broken > 0) {
        let _ = writeln!(text, "  sensor    {broken} lines could not be read and were skipped");
    }
    if let Some(count) = result.interruptions.filter(|count| *count > 0) {
        let times = if count == 1 { "once".to_owned() } else { format!("{count} times") };
        let _ = writeln!(text, "  links     interrupted {times}; the reasons below say when");
    }
    if let Some(folder) = &result.run_folder {
        let _ = writeln!(text, "  record    {folder}");
    }
    for reason in &result.reasons {
        let _ = writeln!(text, "\n{}", words::reason(reason));
    }
    text.lines().map(str::trim_end).collect::<Vec<_>>().join("\n")
}

/// What was found of the engine beside its curve.
fn found(text: &mut String, engine: &EngineFound) {
    if let Some(kind) = words::kind(engine) {
        let _ =
            writeln!(text, "{}", textwrap::fill(&kind, words::wrapping(79, "  kind      ", "            ")));
    }
    if let [Some(forward), Some(reverse)] = engine.warming {
        let [forward, reverse] = [forward, reverse]
            .map(|one| format!("{:+.1} +- {:.1} %", one.change_percent, 2.0 * one.change_u_percent));
        let _ = writeln!(text, "  warm-up   {forward} forward, {reverse} reverse: warm against cold");
    }
    let [forward, reverse] = engine.low_end;
    if let (Some(starts), Some(keeps), Some(starts_back), Some(keeps_back)) =
        (forward.starts, forward.keeps_going, reverse.starts, reverse.keeps_going)
    {
        let _ = writeln!(
            text,
            "  low end   without the table it starts at step {starts} forward, {starts_back} reverse, and keeps going down to \
             step {keeps} forward, {keeps_back} reverse"
        );
    }
}

fn steps(text: &mut String, result: &ResultJson, scale_ratio: f64) {
    if result.steps.is_empty() {
        return;
    }
    let _ = writeln!(
        text,
        "\n{:6}{:<23} |{:<21} |  deviation, km/h +- 95 %\n{:>4} {} |{} |{:>12}{:>12}",
        "",
        "  model speed, mm/s",
        " scale speed, km/h",
        "step",
        columns::<8>(["wanted", "forward", "reverse"].map(str::to_owned)),
        columns::<7>(["wanted", "forw.", "rev."].map(str::to_owned)),
        "forward",
        "reverse",
    );
    for step in &result.steps {
        let _ = writeln!(text, "{}", step_line(step, scale_ratio));
    }
    let _ = writeln!(text, "  p: not measured in verify but predicted from the curve\n");
}

/// Three columns of this width. The whole table keeps within 80 columns.
fn columns<const WIDTH: usize>(words: [String; 3]) -> String {
    words.map(|word| format!("{word:>WIDTH$}")).concat()
}

fn step_line(step: &StepJson, scale_ratio: f64) -> String {
    let speeds = [step.target_mm_s, step.forward_mm_s, step.reverse_mm_s];
    let number = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |value| format!("{value:.2}"));
    let in_scale = |value: Option<f64>| value.map(|speed| scale::kmh(speed, scale_ratio));
    let deviation = |speed: Option<f64>, u95: Option<f64>| match (speed, step.target_mm_s, u95) {
        (Some(speed), Some(target), Some(u95)) => {
            format!("{:+.2}+-{:.2}", scale::kmh(speed - target, scale_ratio), scale::kmh(u95, scale_ratio))
        }
        _ => "-".to_owned(),
    };
    format!(
        "{:>4}{}{} |{} |{:>12}{:>12}",
        step.step,
        if step.source == StepSource::Predicted { 'p' } else { ' ' },
        columns::<8>(speeds.map(number)),
        columns::<7>(speeds.map(in_scale).map(number)),
        deviation(step.forward_mm_s, step.forward_u95_mm_s),
        deviation(step.reverse_mm_s, step.reverse_u95_mm_s),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cause::{Reason, program};
    use crate::run::End;

    fn a_result() -> ResultJson {
        let mut result = ResultJson::not_begun(End::Halted, Vec::new(), 60.0);
        result.reasons = vec![Reason::new(&program::SYSTEM_REFUSED, "12 kB left")];
        result.steps = vec![
            StepJson {
                step: 1,
                target_mm_s: Some(10.0),
                forward_mm_s: Some(10.1),
                forward_u_mm_s: Some(0.05),
                forward_u95_mm_s: Some(0.11),
                reverse_mm_s: Some(9.9),
                reverse_u_mm_s: Some(0.05),
                reverse_u95_mm_s: Some(0.1),
                forward_own_u_mm_s: Some(0.04),
                forward_shared_u_mm_s: Some(0.03),
                reverse_own_u_mm_s: Some(0.04),
                reverse_shared_u_mm_s: Some(0.03),
                source: StepSource::Measured,
                short: false,
            },
            StepJson {
                step: 2,
                target_mm_s: Some(20.0),
                forward_mm_s: Some(20.0),
                forward_u_mm_s: Some(0.1),
                forward_u95_mm_s: Some(0.2),
                reverse_mm_s: None,
                reverse_u_mm_s: None,
                reverse_u95_mm_s: None,
                forward_own_u_mm_s: None,
                forward_shared_u_mm_s: None,
                reverse_own_u_mm_s: None,
                reverse_shared_u_mm_s: None,
                source: StepSource::Predicted,
                short: false,
            },
        ];
        result
    }

    #[test]
    fn the_end_says_everything_a_person_needs() {
        let text = end_of_run(&a_result(), 87.0, TimeLapse::new(60.0).unwrap());
        insta::assert_snapshot!(text);
    }

    #[test]
    fn where_nothing_was_measured_no_table_is_drawn() {
        let text = end_of_run(&ResultJson::not_begun(End::Refused, Vec::new(), 1.0), 87.0, TimeLapse::NONE);
        assert!(!text.contains("forward"), "{text}");
        assert!(!text.contains("time-lapse"), "{text}");
    }
}
