use super::chart::WIDTH;
use super::style::COLOURS;
use super::text::Sheet;
use super::*;
use proptest::prelude::*;

/// Relative luminance of a colour, WCAG 2.1 (definition of "relative luminance").
fn luminance(hex: &str) -> f64 {
    let part = |at: usize| {
        let value = f64::from(u8::from_str_radix(&hex[at..at + 2], 16).unwrap()) / 255.0;
        if value <= 0.03928 { value / 12.92 } else { libm::pow((value + 0.055) / 1.055, 2.4) }
    };
    0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
}

/// WCAG 2.1, definition of "contrast ratio".
fn contrast(one: &str, other: &str) -> f64 {
    let (one, other) = (luminance(one), luminance(other));
    (one.max(other) + 0.05) / (one.min(other) + 0.05)
}

#[test]
fn contrasts_are_enough_for_text_and_for_lines() {
    assert!((contrast("#ffffff", "#000000") - 21.0).abs() < 1e-9, "the formula's own check");
    for dark in [false, true] {
        let colour = |name: &str| {
            let found = COLOURS.iter().find(|(known, ..)| *known == name).unwrap();
            if dark { found.2 } else { found.1 }
        };
        for ground in ["ground", "shade", "band"] {
            // 1.4.3: 4.5 for text; 1.4.11: 3 for what a picture needs.
            assert!(contrast(colour("ink"), colour(ground)) >= 4.5, "ink on {ground}");
            for line in ["a", "b", "c", "d", "bad"] {
                let found = contrast(colour(line), colour(ground));
                assert!(found >= 3.0, "{line} on {ground}, dark: {dark}: {found:.2}");
            }
        }
        assert!(contrast(colour("quiet"), colour("ground")) >= 4.5);
        assert!(contrast(colour("bad"), colour("ground")) >= 4.5, "it is used for words too");
    }
}

/// No text leaves the picture, and none lies on another.
fn is_tidy(sheet: &Sheet, height: f64) -> Result<(), String> {
    for (at, one) in sheet.boxes.iter().enumerate() {
        let inside = one.left >= 0.0
            && one.top >= 0.0
            && one.left + one.width <= WIDTH
            && one.top + one.height <= height;
        if !inside {
            return Err(format!("out of the picture: {one:?}"));
        }
        if let Some(other) = sheet.boxes[at + 1..].iter().find(|other| one.overlaps(other)) {
            return Err(format!("{one:?} on {other:?}"));
        }
    }
    Ok(())
}

/// Every tag that is opened is closed, in order; no stray sign of markup.
fn is_well_formed(svg: &str) -> Result<(), String> {
    let mut open = Vec::new();
    let mut rest = svg;
    while let Some(begin) = rest.find('<') {
        if rest[..begin].contains('>') {
            return Err(format!("a stray > in {:?}", &rest[..begin]));
        }
        let end = begin + rest[begin..].find('>').ok_or("a tag without an end")?;
        let tag = &rest[begin + 1..end];
        if let Some(name) = tag.strip_prefix('/') {
            if open.pop() != Some(name) {
                return Err(format!("{name} closes nothing"));
            }
        } else if !tag.ends_with('/') {
            open.push(tag.split([' ', '\n']).next().unwrap_or_default());
        }
        rest = &rest[end + 1..];
    }
    if open.is_empty() { Ok(()) } else { Err(format!("left open: {open:?}")) }
}

fn chart(layers: Vec<Layer>) -> Chart {
    Chart {
        id: "c".to_owned(),
        title: "Speed <before> & after".to_owned(),
        description: "What \"it\" says".to_owned(),
        x: Axis::new("step"),
        y: Axis::new("mm/s"),
        layers,
        height: 320.0,
    }
}

#[test]
fn a_chart_without_points_says_so_and_nothing_strange_breaks_it() {
    let (svg, sheet) =
        chart(vec![Layer::Line(Series::A, "forward".to_owned(), vec![(f64::NAN, 1.0)])]).svg("");
    assert!(svg.contains("nothing was measured") && !svg.contains("NaN") && !svg.contains("inf"));
    is_tidy(&sheet, 320.0).unwrap();
    is_well_formed(&svg).unwrap();
    assert!(svg.contains("Speed &lt;before&gt; &amp; after"));
    assert_eq!(escaped("a\u{1}b\n<'\">"), "ab &lt;&#39;&quot;&gt;");
}

#[test]
fn a_chart_looks_as_it_did() {
    let points: Vec<(f64, f64, f64)> =
        (1..=28).map(|step| (f64::from(step), 8.0 * f64::from(step), 2.0)).collect();
    let line: Vec<(f64, f64)> = points.iter().map(|(x, y, _)| (*x, *y)).collect();
    let band = points.iter().map(|(x, y, half)| (*x, y - half, y + half)).collect();
    let found = chart(vec![
        Layer::Allowed("allowed".to_owned(), band),
        Layer::Line(Series::B, "wanted".to_owned(), line),
        Layer::Points(Series::A, "forward, measured".to_owned(), points[..3].to_vec()),
        Layer::Limit("limit".to_owned(), 200.0),
    ]);
    insta::assert_snapshot!(found.alone());
}

proptest! {
    #[test]
    fn no_text_overlaps_or_is_cut_off_whatever_is_drawn(
        values in prop::collection::vec((-1e4f64..1e4, -1e6f64..1e6), 0..30),
        names in prop::collection::vec("[a-z ]{0,40}", 1..7),
        height in 220.0f64..600.0,
    ) {
        let series = [Series::A, Series::B, Series::C, Series::D];
        let layers = names.into_iter().zip(series.iter().cycle()).map(|(name, series)| {
            Layer::Line(*series, name, values.clone())
        });
        let found = Chart { height, ..chart(layers.collect()) };
        let (svg, sheet) = found.svg("");
        prop_assert_eq!(is_tidy(&sheet, height), Ok(()));
        prop_assert_eq!(is_well_formed(&svg), Ok(()));
    }

    #[test]
    fn the_names_of_a_time_line_find_their_lanes(
        spans in prop::collection::vec(("[a-z ]{1,20}", 0.0f64..3000.0), 0..20),
        marks in prop::collection::vec(0.0f64..60_000.0, 0..30),
    ) {
        let mut at = 0.0;
        let spans = spans.into_iter().map(|(name, long)| {
            at += long;
            Span { name, from: at - long, to: at }
        });
        let found = TimeLine {
            id: "t".to_owned(),
            title: "phases".to_owned(),
            description: String::new(),
            axis: Axis::new("minutes"),
            spans: spans.collect(),
            marks: marks.into_iter().enumerate().map(|(number, at)| Mark { number: number + 1, at }).collect(),
        };
        let (svg, sheet) = found.svg("");
        prop_assert_eq!(is_well_formed(&svg), Ok(()));
        prop_assert_eq!(is_tidy(&sheet, 5000.0), Ok(()));
    }
}

#[test]
fn a_turning_field_keeps_its_shape_and_leaves_out_what_is_no_number() {
    let ring = |points: Vec<(f64, f64)>, now| Ring {
        id: "field".to_owned(),
        title: "A field".to_owned(),
        description: "Made up.".to_owned(),
        outline: vec![(200.0, 0.0), (0.0, 100.0), (-200.0, 0.0), (0.0, -100.0)],
        points,
        now,
        unit: "mT".to_owned(),
    };
    let drawn = ring(vec![(200.0, 0.0), (f64::NAN, 1.0), (0.0, f64::INFINITY)], Some((0.0, 100.0))).in_page();
    assert_eq!(drawn.matches("<circle").count(), 2, "one point and where it is now: {drawn}");
    // 260 units wide, its farthest at 86 % of the half: 111.8 from the middle, and half of that upwards.
    assert!(drawn.contains("d=\"M241.8 130.0L130.0 74.1L18.2 130.0L130.0 185.9z\""), "{drawn}");
    assert!(drawn.contains("cx=\"130.0\" cy=\"74.1\" r=\"5\""), "{drawn}");
    let nothing = ring(vec![(f64::NAN, f64::NAN)], Some((f64::NAN, 0.0))).in_page();
    assert_eq!(nothing.matches("<circle").count(), 0);
}
