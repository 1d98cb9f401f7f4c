//! Tests of the resolver against the worked examples of RFC 8428 section 5.1, by the copies that public repositories
//! hold of its text. What the RFC gives no resolved form for is worked out by hand from sections 4.1 to 4.6.
use super::*;
use proptest::prelude::*;

const DEVICE: &str = "urn:dev:ow:10e2073a01080063";

fn number(name: &str, unit: &str, time_s: f64, value: f64) -> Record {
    Record {
        name: name.to_owned(),
        unit: Some(unit.to_owned()),
        value: Value::Number(value),
        sum: None,
        time_s,
    }
}

fn refused(text: &str) -> (&'static str, String) {
    let (cause, evidence) = resolve(text).expect_err(text);
    (cause.code, evidence)
}

/// Section 5.1.1: a single data point.
#[test]
fn a_single_data_point() {
    let pack = r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#;
    assert_eq!(resolve(pack), Ok(vec![number(DEVICE, "Cel", 0.0, 23.1)]));
}

/// Section 5.1.2: several data points, now and at a base time with a version below the default.
#[test]
fn several_data_points() {
    let pack = r#"[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
        {"n":"current","u":"A","v":1.2}]"#;
    let [voltage, current] = ["voltage", "current"].map(|name| format!("{DEVICE}:{name}"));
    assert_eq!(resolve(pack), Ok(vec![number(&voltage, "V", 0.0, 120.1), number(&current, "A", 0.0, 1.2)]));

    let pack = r#"[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
        "n":"voltage","u":"V","v":120.1},
        {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
        {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]"#;
    let base = 1_276_020_076.001;
    let mut expected = vec![number("urn:dev:ow:10e2073a0108006:voltage", "V", base, 120.1)];
    for (back, value) in [(-5.0, 1.2), (-4.0, 1.3), (-3.0, 1.4), (-2.0, 1.5), (-1.0, 1.6), (0.0, 1.7)] {
        expected.push(number("urn:dev:ow:10e2073a0108006:current", "A", base + back, value));
    }
    assert_eq!(resolve(pack), Ok(expected));
}

/// Section 5.1.3 resolved is section 5.1.4, which is a pack too and resolves to itself.
#[test]
fn several_measurements_resolved() {
    let pack = r#"[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
        {"u":"lon","v":24.30621},{"u":"lat","v":60.07965},
        {"t":60,"v":20.3},{"u":"lon","t":60,"v":24.30622},{"u":"lat","t":60,"v":60.07965},
        {"t":120,"v":20.7},{"u":"lon","t":120,"v":24.30623},{"u":"lat","t":120,"v":60.07966},
        {"u":"%EL","t":150,"v":98},
        {"t":180,"v":21.2},{"u":"lon","t":180,"v":24.30628},{"u":"lat","t":180,"v":60.07967}]"#;
    let rows = [
        ("%RH", "1.320067464e+09", "20"),
        ("lon", "1.320067464e+09", "24.30621"),
        ("lat", "1.320067464e+09", "60.07965"),
        ("%RH", "1.320067524e+09", "20.3"),
        ("lon", "1.320067524e+09", "24.30622"),
        ("lat", "1.320067524e+09", "60.07965"),
        ("%RH", "1.320067584e+09", "20.7"),
        ("lon", "1.320067584e+09", "24.30623"),
        ("lat", "1.320067584e+09", "60.07966"),
        ("%EL", "1.320067614e+09", "98"),
        ("%RH", "1.320067644e+09", "21.2"),
        ("lon", "1.320067644e+09", "24.30628"),
        ("lat", "1.320067644e+09", "60.07967"),
    ];
    let resolved: Vec<String> =
        rows.iter().map(|(u, t, v)| format!(r#"{{"n":"{DEVICE}","u":"{u}","t":{t},"v":{v}}}"#)).collect();
    let expected: Vec<Record> = rows
        .iter()
        .map(|(u, t, v)| number(DEVICE, u, t.parse().expect("a time"), v.parse().expect("a value")))
        .collect();
    assert_eq!(resolve(pack).as_ref(), Ok(&expected));
    assert_eq!(resolve(&format!("[{}]", resolved.join(","))), Ok(expected));
}

/// The section on several data types (5.1.5 or 5.1.6, number from memory).
#[test]
fn several_types() {
    let pack = r#"[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
        {"n":"label","vs":"Machine Room"},{"n":"open","vb":false},{"n":"nfc-reader","vd":"aGkgCg"}]"#;
    let values: Vec<_> = resolve(pack).expect("a pack").into_iter().map(|record| record.value).collect();
    assert_eq!(
        values,
        [
            Value::Number(23.1),
            Value::Text("Machine Room".to_owned()),
            Value::Flag(false),
            Value::Data("aGkgCg".to_owned())
        ]
    );
}

/// The section on a collection of resources: the last record has the base name of the third and the base time of the first.
#[test]
fn a_later_base_name_leaves_the_base_time() {
    let pack = r#"[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
        {"n":"humidity","u":"%RH","v":30},{"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
        {"n":"humidity","u":"%RH","v":67}]"#;
    let time = 1_320_078_429.0;
    assert_eq!(
        resolve(pack),
        Ok(vec![
            number("2001:db8::2/temperature", "Cel", time, 25.2),
            number("2001:db8::2/humidity", "%RH", time, 30.0),
            number("2001:db8::1/temperature", "Cel", time, 12.3),
            number("2001:db8::1/humidity", "%RH", time, 67.0),
        ])
    );
}

/// The section on actuators: a record of base fields alone says nothing itself, and times may lie ahead.
#[test]
fn a_record_of_base_fields_alone() {
    let pack = r#"[{"bn":"urn:dev:ow:10e2073a01080063:"},{"n":"temp","u":"Cel","v":23.1},
        {"n":"heat","u":"/","v":1},{"n":"fan","u":"/","v":0}]"#;
    let names: Vec<_> = resolve(pack).expect("a pack").into_iter().map(|record| record.name).collect();
    assert_eq!(names, ["temp", "heat", "fan"].map(|name| format!("{DEVICE}:{name}")));
    let pack =
        r#"[{"bt":1.320078429e+09,"bu":"/","n":"2001:db8::3","v":0.5},{"n":"2001:db8::4","t":0.1,"v":0}]"#;
    let times: Vec<_> = resolve(pack).expect("a pack").into_iter().map(|record| record.time_s).collect();
    assert_eq!(times, [1_320_078_429.0, 1_320_078_429.1]);
}

/// Sections 4.1, 4.2 and 4.5.4: base value and base sum are added; what is missing counts as zero.
#[test]
fn base_value_and_base_sum_are_added() {
    let pack = r#"[{"bn":"a","bv":10,"bs":100,"v":1,"s":5},{"n":"b","u":"m"},{"n":"c","v":2},{"bv":-1,"bs":0,"n":"d","v":2}]"#;
    let got: Vec<_> =
        resolve(pack).expect("a pack").into_iter().map(|record| (record.value, record.sum)).collect();
    assert_eq!(
        got,
        [
            (Value::Number(11.0), Some(105.0)),
            (Value::Number(10.0), Some(100.0)),
            (Value::Number(12.0), Some(100.0)),
            (Value::Number(1.0), Some(0.0))
        ]
    );
    let pack = r#"[{"n":"a","s":5},{"n":"b","u":"m"}]"#;
    let got: Vec<_> =
        resolve(pack).expect("a pack").into_iter().map(|record| (record.value, record.sum)).collect();
    assert_eq!(got, [(Value::None, Some(5.0)), (Value::None, None)]);
}

/// Section 4.4: unknown fields are ignored, but for those that end in an underscore; later versions are not read; a pack
/// has one version.
#[test]
fn what_must_be_understood() {
    assert!(resolve(r#"[{"n":"a","v":1,"colour":"green","x":[{}]}]"#).is_ok());
    assert_eq!(refused(r#"[{"n":"a","v":1},{"n":"b","v":1,"rule_":1}]"#).0, "sensor-senml-field");
    for good in ["10", "1"] {
        assert!(
            resolve(&format!(r#"[{{"bver":{good},"n":"a","v":1}},{{"bver":{good},"n":"b","v":1}}]"#)).is_ok()
        );
    }
    assert_eq!(refused(r#"[{"bver":11,"n":"a","v":1}]"#).0, "sensor-senml-version");
    for bad in ["0", "-1", "9.5", "\"10\""] {
        assert_eq!(
            refused(&format!(r#"[{{"bver":{bad},"n":"a","v":1}}]"#)).0,
            "sensor-senml-record",
            "{bad}"
        );
    }
    assert_eq!(refused(r#"[{"bver":5,"n":"a","v":1},{"bver":10,"n":"b","v":1}]"#).0, "sensor-senml-record");
    assert_eq!(refused(r#"[{"n":"a","v":1},{"bver":5,"n":"b","v":1}]"#).0, "sensor-senml-record");
}

#[test]
fn deep_nesting_is_refused_and_not_followed() {
    for open in ["[", "[{\"a\":"] {
        assert_eq!(refused(&open.repeat(20_000)).0, "sensor-senml-json");
    }
}

proptest! {
    #[test]
    fn no_text_makes_it_panic(text in prop_oneof![
        any::<String>(),
        "\\[(\\{(\"(bn|bt|bu|bv|bs|bver|n|u|v|vs|vb|vd|s|t|ut|x_)\":(1e308|-5|\"a:bx\"|true|null|\\[\\]),?){0,5}\\},?){0,4}\\]",
    ]) {
        let _ = resolve(&text).map(|records| assert!(records.len() <= text.len()));
    }

    /// Resolving what was resolved changes nothing.
    #[test]
    fn resolved_stays_resolved(rows in prop::collection::vec((-1e6..1e6_f64, -1e9..1e9_f64), 1..20)) {
        let write = |rows: &[(f64, f64)]| {
            let rows: Vec<String> =
                rows.iter().map(|(v, t)| format!(r#"{{"n":"bx","u":"T","v":{v:?},"t":{t:?}}}"#)).collect();
            format!("[{}]", rows.join(","))
        };
        let records = resolve(&write(&rows)).expect("a pack");
        prop_assert_eq!(records, rows.iter().map(|(v, t)| number("bx", "T", *t, *v)).collect::<Vec<_>>());
    }
}
