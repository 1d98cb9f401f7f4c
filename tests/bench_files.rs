//! Bad bench files get a clear answer, good ones are read: every file of `tests/bench_files` against its snapshot,
//! every file of `scenarios` without complaint, and any text at all without a panic.
use pacewright::config::{self, PathKind, TargetSpec};
use pacewright::dcc::Address;
use proptest::prelude::*;

/// Columns of a terminal.
const WIDTH: usize = 100;

#[test]
fn wrong_files_are_answered_as_the_snapshots_say() {
    let mut settings = insta::Settings::clone_current();
    settings.set_snapshot_path("bench_files/snapshots");
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    settings.bind(|| {
        insta::glob!("bench_files/*.toml", |path| {
            let bytes = std::fs::read(path).expect("a test file can be read");
            let name = path.file_name().expect("a file has a name").to_string_lossy();
            let read = config::text(&name, bytes).and_then(|text| config::read(&name, &text));
            let complaints = read.expect_err(&format!("{name} is wrong"));
            insta::assert_snapshot!("answer", complaints.render(WIDTH, false));
        });
    });
}

#[test]
fn complaints_for_programs_carry_code_text_and_place() {
    let text =
        std::fs::read_to_string("tests/bench_files/unit_missing.toml").expect("a test file can be read");
    let complaints = config::read("bench.toml", &text).expect_err("this file is wrong");
    assert_eq!(complaints.plain().len(), complaints.list().len());
    for (reason, complaint) in complaints.plain().iter().zip(complaints.list()) {
        assert_eq!(pacewright::cause::find(&reason.code), Some(complaint.cause));
        let place = format!("bench.toml:{}:{}: {}:", complaint.line, complaint.column, complaint.key);
        assert!(reason.evidence.starts_with(&place), "{}", reason.evidence);
        let line = text.lines().nth(complaint.line - 1).expect("the line is in the file");
        let key = complaint.key.rsplit('.').next().expect("a key has a name");
        assert!(line.starts_with(key), "{line} is not the line of {key}");
    }
    assert!(complaints.render(WIDTH, true).contains('\u{1b}'), "colours are there when wanted");
}

#[test]
fn the_template_is_as_reviewed() {
    let mut settings = insta::Settings::clone_current();
    settings.set_snapshot_path("bench_files/snapshots");
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    settings.bind(|| insta::assert_snapshot!("template", config::template()));
}

fn scenario(name: &str) -> config::BenchSpec {
    let path = format!("scenarios/{name}.toml");
    let text = std::fs::read_to_string(&path).expect("a scenario can be read");
    config::read(&path, &text).map_err(|complaints| complaints.plain()).expect("a scenario is right")
}

#[test]
fn the_four_engines_are_read() {
    let lapwing = scenario("lapwing");
    assert_eq!(lapwing.engine.address, Address::Short(4));
    assert_eq!(lapwing.path, PathKind::Rollers);
    assert_eq!(
        (lapwing.station.link.to_string().as_str(), lapwing.sensor.link.to_string().as_str()),
        ("127.0.0.1:4303", "127.0.0.1:4311")
    );
    assert_eq!(scenario("avocet").engine.address, Address::Short(7));
    assert_eq!(scenario("curlew").engine.address, Address::Short(11));
    assert_eq!(scenario("dunlin").engine.address, Address::Long(1203));
}

#[test]
fn speeds_become_model_speeds() {
    // standards/dcc.md section 10, row 15: 120 km/h in H0 1:87 are 0.383142 m/s.
    let avocet = scenario("avocet");
    let TargetSpec::Line { top_mm_s, .. } = avocet.target else { panic!("a line is asked for") };
    assert!((top_mm_s - 383.142).abs() < 5e-4);
    // Our own default: 1.25 times what proves the reserve of 10 %.
    assert!((avocet.limits.speed_mm_s - 1.25 * top_mm_s / 0.9).abs() < 1e-9);
    // N is 1:160: 20 km/h are 34.722 mm/s (computed, standards/dcc.md section 1.2).
    let text = std::fs::read_to_string("scenarios/avocet.toml").expect("a scenario can be read");
    let text = text.replace("\"H0\"", "\"N\"").replace("\"120 km/h\"", "\"20 km/h\"");
    let slow = config::read("n.toml", &text).expect("it is right");
    assert!((slow.target.top_mm_s() - 34.722).abs() < 5e-4);
}

#[test]
fn other_ways_of_writing_mean_the_same() {
    let text = std::fs::read_to_string("scenarios/lapwing.toml").expect("a scenario can be read");
    let plain = config::read("a", &text).expect("it is right");
    let same = [
        text.replace('\n', "\r\n"),
        format!("\u{feff}{text}"),
        text.replace("\"33 mm\"", "\"3.3cm\""),
        text.replace("[path]\nkind", "[path]\n\"kind\""),
        text.replace("[path]\nkind = \"rollers\"\n", "")
            .replace("schema = 1", "schema = 1\npath.kind = \"rollers\""),
        text.replace("[path]\nkind = \"rollers\"\n", "")
            .replace("schema = 1", "schema = 1\npath = { kind = 'rollers' }"),
    ];
    for text in same {
        assert_eq!(config::read("b", &text).expect("it is right too"), plain, "{text}");
    }
    let by_diameter =
        text.replace("circumference = \"33 mm\"", "diameter = \"10 mm\"").replace("\"0.2 %\"", "\"0.05 mm\"");
    let axle = config::read("c", &by_diameter).expect("it is right").axle;
    assert!((axle.circumference_mm - 31.415_926_5).abs() < 1e-6, "pi times the diameter");
    assert!((axle.circumference_u_rel - 0.005).abs() < 1e-12, "0.05 of 10");
    let by_ratio = text.replace("scale = \"H0\"", "ratio = \"1:87\"");
    let engine = config::read("d", &by_ratio).expect("it is right").engine;
    assert!((engine.scale_ratio - 87.0).abs() < 1e-12);
    assert_eq!(engine.scale_name, "1:87");
}

/// Reads and renders: a wrong text is complained of, a right one keeps what the run relies on.
fn survives(text: &str) -> Result<(), TestCaseError> {
    match config::read("any.toml", text) {
        Ok(spec) => keeps_its_promises(&spec),
        Err(complaints) => {
            prop_assert!(!complaints.list().is_empty());
            prop_assert!(!complaints.render(WIDTH, false).is_empty());
            prop_assert_eq!(complaints.plain().len(), complaints.list().len());
            for complaint in complaints.list() {
                prop_assert!(complaint.span.end <= text.len() && !complaint.hint.is_empty());
            }
            Ok(())
        }
    }
}

fn keeps_its_promises(spec: &config::BenchSpec) -> Result<(), TestCaseError> {
    let (limits, target) = (&spec.limits, &spec.target);
    prop_assert!(limits.speed_mm_s.is_finite());
    prop_assert!(limits.speed_mm_s > target.top_mm_s() / (1.0 - limits.top_reserve));
    prop_assert!(spec.sweep.precision_rel < limits.tolerance_rel);
    prop_assert!(spec.station.ask_interval + spec.station.answer_limit < limits.station_silence);
    prop_assert!(spec.axle.circumference_u_rel > 0.0 && spec.axle.circumference_mm > 0.0);
    let speeds: Vec<f64> = match target {
        TargetSpec::Line { creep_mm_s, top_mm_s } => vec![*creep_mm_s, *top_mm_s],
        TargetSpec::Points(points) => {
            prop_assert_eq!(points.first().map(|point| point.0), Some(1));
            prop_assert_eq!(points.last().map(|point| point.0), Some(28));
            points.iter().map(|point| point.1).collect()
        }
    };
    prop_assert!(speeds[0] > 0.0 && speeds.is_sorted_by(|slow, fast| slow < fast));
    Ok(())
}

/// Not among the snapshots: tools that copy text change such line ends.
#[test]
fn lines_that_end_in_carriage_returns_alone_are_explained() {
    let text = config::template().replace('\n', "\r");
    let complaints = config::read("bench.toml", &text).expect_err("it is wrong");
    let evidence = &complaints.plain()[0].evidence;
    assert!(evidence.contains("carriage returns alone"), "{evidence}");
}

#[test]
fn deep_and_long_files_are_answered() {
    let deep = 20_000;
    for text in [
        format!("a = {}", "[".repeat(deep)),
        format!("a = {}1{}", "[".repeat(deep), "]".repeat(deep)),
        format!("{}a = 1", "a.".repeat(deep)),
        format!("[{}a]", "a.".repeat(deep)),
        format!("a = {}1{}", "{ a = ".repeat(deep), " }".repeat(deep)),
        format!("top = \"{}\"", "9".repeat(deep)),
        format!("[{}]", "x".repeat(deep)),
    ] {
        let complaints = config::read("deep.toml", &text).expect_err("it is wrong");
        assert!(!complaints.plain().is_empty());
    }
}

/// Values as people and chance write them.
fn value() -> impl Strategy<Value = String> {
    prop_oneof![
        "\"[0-9.,-]{0,5} ?(km/h|mph|mm/s|mm|m|s|min|h|%|kmh)?\"",
        "-?[0-9]{1,25}",
        "-?[0-9]{1,3}\\.[0-9]{1,3}",
        Just("nan".to_owned()),
        Just("true".to_owned()),
        "\\[[0-9, ]{0,8}\\]",
        "\\{ a = [0-9] \\}",
        "\\[\\[[0-9]{1,2}, \"[0-9]{1,3} km/h\"\\], \\[28, \"80 km/h\"\\]\\]",
        "\"\\PC{0,12}\"",
        Just("1979-05-27".to_owned()),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_text_is_answered(text in "\\PC{0,200}") {
        survives(&text)?;
    }

    #[test]
    fn any_lines_are_answered(text in "([a-z\\[\\]_=\". 0-9#'\n\t\r{}ä,-]){0,120}") {
        survives(&text)?;
    }

    /// A good file with a few values replaced by others.
    #[test]
    fn any_values_are_answered(changes in prop::collection::vec((0_usize..200, value()), 1..6)) {
        let mut lines: Vec<String> = config::template().lines().map(str::to_owned).collect();
        let keys: Vec<usize> = (0..lines.len()).filter(|at| lines[*at].contains(" = ")).collect();
        for (at, value) in changes {
            let line = &mut lines[keys[at % keys.len()]];
            let key = line.trim_start_matches("# ").split(" = ").next().unwrap_or_default().to_owned();
            *line = format!("{key} = {value}");
        }
        survives(&lines.join("\n"))?;
    }

    /// A good file cut off anywhere, or with a line taken out.
    #[test]
    fn any_part_of_a_file_is_answered(cut in 0_usize..6000, out in 0_usize..200) {
        let text = config::template();
        let end = (0..=cut.min(text.len())).rev().find(|at| text.is_char_boundary(*at)).unwrap_or(0);
        survives(&text[..end])?;
        let lines: Vec<&str> = text.lines().enumerate().filter(|(at, _)| *at != out).map(|(_, line)| line).collect();
        survives(&lines.join("\n"))?;
    }
}
