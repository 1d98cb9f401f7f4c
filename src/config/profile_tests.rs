//! Profiles are read as strictly as bench files.
use super::*;

const WHOLE: &str = r#"schema = 1
[profile]
name = "With a regulation"
about = "An invented kind."
[cvs]
touch = ["2 to 6", "29", "57", "66 to 95"]
within = ["5: 128 to 255"]
keep = ["57: 12"]
[drive]
linear_by = "ends"
after = "originals"
[table]
between = "from_zero"
[timing]
start_delay = "3 s"
write_pause = "150 ms"
"#;

#[test]
fn a_whole_profile_says_what_may_be_written() {
    let profile = read("mine.toml", WHOLE).unwrap();
    assert_eq!((profile.linear_by, profile.after), (LinearBy::Ends, After::Originals));
    assert_eq!(profile.between, Some(TableReading::FromZero));
    assert_eq!((profile.start_delay.as_secs(), profile.write_pause.as_millis()), (3, 150));
    assert_eq!(profile.keep, [(57, 12)]);
    for (cv, value, allowed) in [
        (2, 0, true),
        (5, 128, true),
        (5, 127, false),
        (5, 0, false),
        (57, 12, true),
        (57, 255, true),
        (30, 0, false),
        (65, 0, false),
        (66, 0, true),
        (95, 255, true),
        (96, 1, false),
    ] {
        assert_eq!(profile.allows(cv, value), allowed, "CV {cv} = {value}");
    }
}

/// S-9.2.2 CV 8 and RCN-226, `standards/dcc.md` section 5.2: never written.
#[test]
fn cv_7_and_8_are_never_touched_whatever_stands_there() {
    let mut profile = DecoderProfile::default();
    profile.touch.push(CvRule { cvs: (1, 1024), values: (0, 255) });
    for cv in [7, 8, 0, 1025] {
        assert!(!profile.touches(cv) && !profile.allows(cv, 8), "CV {cv}");
    }
    let wrong = read("mine.toml", &WHOLE.replace("2 to 6", "2 to 9")).unwrap_err().render(120, false);
    assert!(wrong.contains("CV 7 is never written"), "{wrong}");
}

#[test]
fn without_a_profile_a_run_writes_only_what_it_must() {
    let profile = DecoderProfile::default();
    let touched: Vec<u16> = (1..=1024).filter(|cv| profile.touches(*cv)).collect();
    let expected: Vec<u16> = (2..=6).chain([19, 20, 23, 24, 29]).chain(66..=95).collect();
    assert_eq!(touched, expected);
}

#[test]
fn mistakes_are_named_with_their_place() {
    for (from, to, said) in [
        ("\"29\", ", "", "CV 29 is missing"),
        ("66 to 95", "66 to 80", "CV 81 is missing"),
        ("57: 12", "58: 12", "CV 58 does not stand under touch"),
        ("57: 12", "5: 12", "outside what stands under within"),
        ("57: 12", "67: 5", "the run gives it values of its own"),
        ("57: 12", "3: 20", "the run gives it values of its own"),
        ("\"29\", ", "\"29\", \"1\", ", "CV 1: it says whose decoder this is"),
        ("\"29\", ", "\"10 to 29\", ", "CV 15: it says whose decoder this is"),
        ("5: 128 to 255", "67 to 94: 10 to 120", "free to give it any value"),
        ("5: 128 to 255", "2: 5 to 255", "CV 2 could not be given 1"),
        ("\"2 to 6\"", "\"2 to 5\"", "CV 6 could not be given 128"),
        ("[table]", "[table]\npresent = false", "there are no entries to be met"),
        ("57: 12", "57 = 12", "a colon stands between"),
        ("57: 12", "57: 300", "values from 0 to 255"),
        ("5: 128 to 255", "5: 255 to 128", "the smaller number comes first"),
        ("5: 128 to 255", "7: 0 to 1", "CV 7 is never written"),
        ("5: 128 to 255", "30: 0 to 1", "CV 30 does not stand under touch"),
        ("\"ends\"", "\"end\"", "did you mean \"ends\"?"),
        ("linear_by", "linear", "did you mean linear_by?"),
        ("[drive]", "[driv]", "did you mean [drive]?"),
        ("touch = [\"2 to 6\"", "touch = [2", "put each part of the list in quotes"),
        ("schema = 1", "schema = 2", "schema"),
        ("\"150 ms\"", "\"150\"", "write_pause"),
    ] {
        let text = WHOLE.replacen(from, to, 1);
        assert_ne!(text, WHOLE, "{from}");
        let wrong = read("mine.toml", &text).unwrap_err();
        let all = wrong.render(120, false);
        assert!(all.contains(said), "{from} -> {to}: {all}");
    }
}
