//! From a speed step to the drive of the motor: three-point curve, table, trims.
//!
//! Sources: NMRA S-9.2.2 (2012) and RCN-225 (2025), standards/dcc.md section 4. Where the texts are silent this
//! simulator takes: straight lines between the three points; the middle at half of the steps; CV 5 of 0 or 1 means
//! full drive at the top; CV 6 of 0 or 1 means a straight line from CV 2 to the top; with 14 steps every second entry.
use super::cvs::Memory;
use super::spec::{DecoderSim, Rounding, TableReading};

/// Full drive, in counts.
pub(super) const FULL: f64 = 255.0;

/// Drive in counts, 0 to 255, for `step` of `of` moving steps (14, 28 or 126) in the direction ordered.
pub(super) fn counts(memory: &Memory, spec: &DecoderSim, step: u16, of: u16, forward: bool) -> f64 {
    if step == 0 {
        return 0.0;
    }
    let step = step.min(of);
    let table = memory.table_on() && !spec.ignores_table;
    let plain = if table { from_table(memory, spec, step, of) } else { from_curve(memory, spec, step, of) };
    let trims = (table || spec.trims_without_table) && !spec.ignores_trims;
    let trim = if trims { trim(memory, forward) } else { 1.0 };
    rounded(plain * trim, spec.rounding).min(FULL)
}

/// Forward trim CV 66, reverse trim CV 95: a factor in 128ths, 0 is off.
fn trim(memory: &Memory, forward: bool) -> f64 {
    match memory.get(if forward { 66 } else { 95 }) {
        0 => 1.0,
        value => f64::from(value) / 128.0,
    }
}

fn rounded(drive: f64, rounding: Rounding) -> f64 {
    match rounding {
        Rounding::Exact => drive,
        Rounding::Down => libm::floor(drive),
        Rounding::HalfUp => libm::floor(drive + 0.5),
    }
}

fn from_curve(memory: &Memory, spec: &DecoderSim, step: u16, of: u16) -> f64 {
    let start = memory.get(2);
    let (high, mid) = spec.fixed_curve.unwrap_or_else(|| (memory.get(5), memory.get(6)));
    if let (Some(crawl), 0, 0, 0) = (spec.crawl, start, high, mid) {
        return f64::from(crawl);
    }
    let bottom = (1.0, f64::from(start));
    let top = (f64::from(of), if high > 1 { f64::from(high) } else { FULL });
    let middle = (f64::from(of / 2), f64::from(mid));
    let at = f64::from(step);
    if mid <= 1 {
        between(bottom, top, at)
    } else if at <= middle.0 {
        between(bottom, middle, at)
    } else {
        between(middle, top, at)
    }
}

fn from_table(memory: &Memory, spec: &DecoderSim, step: u16, of: u16) -> f64 {
    let place = match (of, spec.reading) {
        (14, _) => f64::from(step) * 2.0,
        (28, _) => f64::from(step),
        (_, TableReading::EndToEnd) => 1.0 + f64::from(step - 1) * 27.0 / 125.0,
        (_, TableReading::QuarterSteps) => f64::from(step) / 4.5,
        (_, TableReading::Stairs) => 1.0 + libm::floor(f64::from(step - 1) / 4.5),
    };
    let below = (0..28_u16).rev().find(|entry| f64::from(*entry) <= place).unwrap_or(0);
    let plain = between(
        (f64::from(below), entry(memory, below)),
        (f64::from(below + 1), entry(memory, below + 1)),
        place,
    );
    if !spec.scales_table {
        return plain;
    }
    let (start, high) = (f64::from(memory.get(2)), memory.get(5));
    let top = if high > 1 { f64::from(high) } else { FULL };
    start + plain * (top - start) / FULL
}

/// Entry 1 to 28; the entry before the first is standstill.
fn entry(memory: &Memory, number: u16) -> f64 {
    if number == 0 { 0.0 } else { f64::from(memory.get(66 + number)) }
}

fn between(low: (f64, f64), high: (f64, f64), at: f64) -> f64 {
    low.1 + (high.1 - low.1) * (at - low.0) / (high.0 - low.0)
}

#[cfg(test)]
mod tests {
    use super::super::cvs::Place;
    use super::super::demo_engines;
    use super::*;

    fn decoder(cvs: &[(u16, u8)]) -> (Memory, DecoderSim) {
        let mut spec = demo_engines::lapwing(1).decoder;
        spec.rounding = Rounding::Exact;
        let mut memory = Memory::new(spec.clone());
        for &(cv, value) in cvs {
            assert!(memory.write(cv, value, Place::Service), "CV {cv}");
        }
        (memory, spec)
    }

    fn drive(cvs: &[(u16, u8)], step: u16, of: u16) -> f64 {
        let (memory, spec) = decoder(cvs);
        counts(&memory, &spec, step, of, true)
    }

    fn nines() -> Vec<(u16, u8)> {
        (1..=28_u8).map(|k| (66 + u16::from(k), 9 * k)).chain([(29, 0x12), (66, 0), (95, 0)]).collect()
    }

    fn assert_near(found: f64, expected: f64) {
        assert!((found - expected).abs() < 5e-4, "{found}, expected {expected}");
    }

    /// standards/dcc.md check values 67 to 70 (S-9.2.2 and RCN-225, CV 2, 5, 6).
    #[test]
    fn three_points_are_fractions_of_the_supply() {
        assert_near(drive(&[(2, 0), (5, 0), (6, 0)], 1, 28), 0.0);
        assert_near(drive(&[(2, 255), (5, 255), (6, 0)], 1, 28), 255.0);
        assert_near(drive(&[(2, 3), (5, 128), (6, 0)], 28, 28) / FULL, 0.501_961);
        for unused in [0, 1] {
            assert_near(drive(&[(2, 3), (5, unused), (6, 90)], 28, 28), 255.0);
            assert_near(drive(&[(2, 0), (5, 0), (6, unused)], 64, 126), 255.0 * 63.0 / 125.0);
        }
        assert_near(drive(&[(2, 1), (5, 255), (6, 128)], 14, 28), 128.0);
        assert_near(drive(&[(2, 1), (5, 255), (6, 128)], 1, 126), 1.0);
        assert_near(drive(&[(2, 1), (5, 255), (6, 128)], 63, 126), 128.0);
        assert_near(drive(&[(2, 1), (5, 255), (6, 128)], 7, 14), 128.0);
    }

    /// standards/dcc.md section 10.1: both readings of 126 steps on 28 entries; check value 76.
    #[test]
    fn the_table_is_read_both_ways() {
        let (memory, mut spec) = decoder(&nines());
        let rows: [(u16, f64, f64); 9] = [
            (1, 9.0, 2.0),
            (2, 10.944, 4.0),
            (4, 14.832, 8.0),
            (9, 24.552, 18.0),
            (32, 69.264, 64.0),
            (63, 129.528, 126.0),
            (64, 131.472, 128.0),
            (100, 201.456, 200.0),
            (126, 252.0, 252.0),
        ];
        for (step, end_to_end, quarter) in rows {
            spec.reading = TableReading::EndToEnd;
            assert_near(counts(&memory, &spec, step, 126, true), end_to_end);
            spec.reading = TableReading::QuarterSteps;
            assert_near(counts(&memory, &spec, step, 126, true), quarter);
        }
        for step in 1..=28 {
            assert_near(counts(&memory, &spec, step, 28, false), 9.0 * f64::from(step));
        }
        assert_near(counts(&memory, &spec, 14, 14, true), 252.0);
    }

    /// standards/dcc.md check values 73 to 75 (S-9.2.2, RCN-225 CV 66 and 95); standards/measurement.md section 9.
    #[test]
    fn trims_are_128ths() {
        let with = |entry: u8, trim: u8| {
            let mut cvs = nines();
            cvs.extend([(80, entry), (66, trim)]);
            drive(&cvs, 14, 28)
        };
        for (trim, factor) in
            [(128, 1.0), (64, 0.5), (0, 1.0), (1, 0.007_812_5), (120, 0.9375), (140, 1.09375)]
        {
            assert_near(with(100, trim), 100.0 * factor);
        }
        assert_near(with(100, 255), 199.218_75);
        assert_near(with(200, 120), 187.5);
        assert_near(with(255, 140), 255.0);
    }

    #[test]
    fn a_decoder_may_round_the_product_and_act_on_trims_without_the_table() {
        let mut cvs = nines();
        cvs.extend([(80, 200), (66, 120), (95, 60)]);
        let (mut memory, mut spec) = decoder(&cvs);
        spec.rounding = Rounding::Down;
        assert_near(counts(&memory, &spec, 14, 28, true), 187.0);
        spec.rounding = Rounding::HalfUp;
        assert_near(counts(&memory, &spec, 14, 28, true), 188.0);
        assert!(memory.write(29, 2, Place::Service) && memory.write(2, 0, Place::Service));
        assert!(memory.write(5, 255, Place::Service) && memory.write(6, 0, Place::Service));
        assert_near(counts(&memory, &spec, 28, 28, true), 255.0);
        spec.trims_without_table = true;
        assert_near(counts(&memory, &spec, 28, 28, true), 239.0);
        assert_near(counts(&memory, &spec, 28, 28, false), 120.0);
    }

    /// standards/dcc.md section 4.2: what the texts leave open, and what makers may do otherwise.
    #[test]
    fn a_decoder_may_leave_trims_or_table_out_scale_the_table_or_hold_its_entries() {
        let mut cvs = nines();
        cvs.extend([(66, 120), (95, 60)]);
        let (mut memory, mut spec) = decoder(&cvs);
        spec.reading = TableReading::Stairs;
        for (step, entry) in [(1, 1), (5, 1), (6, 2), (9, 2), (10, 3), (63, 14), (64, 15), (126, 28)] {
            assert_near(counts(&memory, &spec, step, 126, true), f64::from(9 * entry) * 0.9375);
        }
        spec.ignores_trims = true;
        assert_near(counts(&memory, &spec, 14, 28, false), 126.0);
        spec.scales_table = true;
        assert!(memory.write(2, 51, Place::Service) && memory.write(5, 204, Place::Service));
        assert_near(counts(&memory, &spec, 14, 28, true), 51.0 + 126.0 * 0.6);
        assert!(memory.write(2, 0, Place::Service) && memory.write(5, 0, Place::Service));
        assert_near(counts(&memory, &spec, 14, 28, true), 126.0);
        spec.ignores_table = true;
        assert!(memory.write(6, 0, Place::Service));
        assert_near(counts(&memory, &spec, 28, 28, true), 255.0);
        spec.fixed_curve = Some((128, 64));
        assert_near(counts(&memory, &spec, 14, 28, true), 64.0);
        assert_near(counts(&memory, &spec, 28, 28, true), 128.0);
    }

    #[test]
    fn a_crawling_decoder_drives_at_one_count_with_three_zeros() {
        let (memory, mut spec) = decoder(&[(2, 0), (5, 0), (6, 0)]);
        spec.crawl = Some(30);
        for step in [1, 40, 126] {
            assert_near(counts(&memory, &spec, step, 126, true), 30.0);
        }
        assert_near(counts(&memory, &spec, 0, 126, true), 0.0);
        let (memory, _) = decoder(&[(2, 0), (5, 1), (6, 0)]);
        assert!(counts(&memory, &spec, 126, 126, true) > 250.0);
    }
}
