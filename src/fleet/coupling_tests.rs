use super::*;
use crate::fleet::speeds::Warm;
use proptest::prelude::*;

fn engine(name: &str, axle: &str, factor: [f64; 2]) -> EngineSpeeds {
    let figure = |speed_mm_s: f64| Figure {
        speed_mm_s,
        own_u_mm_s: 0.002 * speed_mm_s,
        shared_u_mm_s: 0.01 * speed_mm_s,
    };
    let entries =
        (1..=ENTRIES).map(|entry| factor.map(|part| Some(figure(10.0 * entry as f64 * part)))).collect();
    EngineSpeeds { engine: name.to_owned(), axle: axle.to_owned(), entries, warming: [None, None] }
}

#[test]
fn the_error_of_a_shared_axle_cancels_and_that_of_two_axles_does_not() {
    let (one, other) = (engine("Lapwing", "a", [1.0; 2]), engine("Avocet", "a", [1.01; 2]));
    let at = (28, Direction::Forward, Warmth::BothWarm);
    let near = mismatch([&one, &other], Orientation::Alike, at, CouplingTolerance::default()).unwrap();
    // By hand: own parts 0.56 and 0.5656 mm/s; of the shared 2.8 and 2.828 only 0.028 is left.
    let expected = 2.0 * libm::sqrt(0.56f64 * 0.56 + 0.5656 * 0.5656 + 0.028 * 0.028);
    assert!((near.doubt_mm_s - expected).abs() < 1e-9, "{} {expected}", near.doubt_mm_s);
    assert!((near.difference_mm_s + 2.8).abs() < 1e-9);
    assert_eq!(near.verdict, Verdict::Pass);
    let elsewhere = engine("Avocet", "b", [1.01; 2]);
    let far = mismatch([&one, &elsewhere], Orientation::Alike, at, CouplingTolerance::default()).unwrap();
    assert!(far.doubt_mm_s > 4.0 * near.doubt_mm_s);
}

#[test]
fn back_to_back_compares_one_ways_forward_with_the_others_reverse() {
    // Each runs 6 % faster in reverse: alike they agree, back to back they do not.
    let (one, other) = (engine("Lapwing", "a", [1.0, 1.06]), engine("Avocet", "a", [1.0, 1.06]));
    let tolerance = CouplingTolerance::default();
    let alike = pair([&one, &other], Orientation::Alike, tolerance);
    assert_eq!(alike.verdict, Some(Verdict::Pass));
    let turned = pair([&one, &other], Orientation::BackToBack, tolerance);
    assert_eq!(turned.verdict, Some(Verdict::Fail));
    assert_eq!(turned.worst_of_any_warmth, None, "nothing is known of their warming");
    assert!(turned.worst.unwrap().part() > 1.3);
}

#[test]
fn a_step_that_is_not_known_of_both_leaves_a_pair_open() {
    let one = engine("Lapwing", "a", [1.0; 2]);
    let mut other = engine("Avocet", "a", [1.0; 2]);
    let of =
        |other: &EngineSpeeds| pair([&one, other], Orientation::Alike, CouplingTolerance::default()).verdict;
    assert_eq!(of(&other), Some(Verdict::Pass));
    other.entries[11][1] = None;
    assert_eq!(of(&other), Some(Verdict::Marginal));
    other.entries = vec![[None, None]; ENTRIES];
    assert_eq!(of(&other), None);
}

#[test]
fn a_cold_engine_beside_a_warm_one_is_worse_than_two_of_a_kind() {
    let warming = [Some(Warm { change: 0.05, u: 0.002 }); 2];
    let one = EngineSpeeds { warming, ..engine("Lapwing", "a", [1.0; 2]) };
    let other = EngineSpeeds { warming, ..engine("Avocet", "a", [1.0; 2]) };
    let found = pair([&one, &other], Orientation::Alike, CouplingTolerance::default());
    assert!(found.worst.unwrap().difference_mm_s.abs() < 1e-9);
    let cold = found.worst_of_any_warmth.unwrap();
    assert!(matches!(cold.warmth, Warmth::FirstCold | Warmth::SecondCold));
    // 280 mm/s warm are 266.67 cold.
    assert!(
        (mismatch(
            [&one, &other],
            Orientation::Alike,
            (28, Direction::Forward, Warmth::FirstCold),
            CouplingTolerance::default()
        )
        .unwrap()
        .difference_mm_s
            + 280.0 / 21.0)
            .abs()
            < 1e-9
    );
}

proptest! {
    /// Against every step and way, one after the other, in other words.
    #[test]
    fn the_matrix_is_that_of_brute_force(
        factors in prop::collection::vec((0.9f64..1.1, 0.9f64..1.1, any::<bool>()), 2..6),
    ) {
        let names = ["Lapwing", "Avocet", "Curlew", "Dunlin", "Plover", "Knot"];
        let engines: Vec<EngineSpeeds> = factors
            .iter()
            .zip(names)
            .map(|((forward, reverse, here), name)| engine(name, if *here { "a" } else { "b" }, [*forward, *reverse]))
            .collect();
        let tolerance = CouplingTolerance { part: 0.03, floor_mm_s: 1.0 };
        let found = matrix(&engines, tolerance);
        prop_assert_eq!(found.pairs.len(), engines.len() * (engines.len() - 1) / 2);
        for (row, column, alike, turned) in &found.pairs {
            for (own, swap) in [(alike, false), (turned, true)] {
                let mut worst = 0.0f64;
                let mut beyond = false;
                for entry in 0..28 {
                    for way in 0..2 {
                        let a = engines[*row].entries[entry][way].unwrap();
                        let b = engines[*column].entries[entry][if swap { 1 - way } else { way }].unwrap();
                        let allowed = (0.03 * (a.speed_mm_s + b.speed_mm_s) / 2.0).max(1.0);
                        let off = (a.speed_mm_s - b.speed_mm_s).abs();
                        let mut square = a.own_u_mm_s * a.own_u_mm_s + b.own_u_mm_s * b.own_u_mm_s;
                        square += if engines[*row].axle == engines[*column].axle {
                            (a.shared_u_mm_s - b.shared_u_mm_s) * (a.shared_u_mm_s - b.shared_u_mm_s)
                        } else {
                            a.shared_u_mm_s * a.shared_u_mm_s + b.shared_u_mm_s * b.shared_u_mm_s
                        };
                        worst = worst.max(off / allowed);
                        beyond |= off - 2.0 * libm::sqrt(square) > allowed;
                    }
                }
                prop_assert!((own.worst.unwrap().part() - worst).abs() < 1e-9);
                prop_assert_eq!(own.verdict == Some(Verdict::Fail), beyond);
            }
        }
    }
}
