//! The engines of the invented Wrenfield Harbour Railway, each with its decoder, sensor and server. All are 1:87 on
//! rollers of 33 mm circumference. The seed varies what varies between engines of one make.
use super::flaws::Flaws;
use super::noise::{Noise, Stream, nearest_count};
use super::spec::{
    DecoderSim, EngineSim, LineForm, Measurand, PathSim, Rounding, SensorSim, ServerSim, SimSpec,
    Spelling202, TableReading,
};
use std::collections::{BTreeMap, BTreeSet};
use std::f64::consts::TAU;
use std::time::Duration;

/// Lapwing, address 4: strong friction, a wide dead zone, stiction; about 450 mm/s at full drive.
#[must_use]
pub fn lapwing(seed: u64) -> SimSpec {
    let mut noise = recipe(seed, 4);
    let engine = EngineSim {
        friction_n_m: 4.5e-4 * noise.between(0.92, 1.08),
        stiction: noise.between(1.15, 1.25),
        inertia_kg_m2: 9e-7,
        gear: 16.0,
        friction_fall: 0.3,
        scatter: 0.004,
        ripple: 0.015,
        reverse_drive: noise.between(0.95, 1.0),
        reverse_friction: noise.between(1.0, 1.08),
        ..engine(&mut noise)
    };
    let decoder = decoder(4, &mut noise);
    whole(seed, engine, decoder, noise)
}

/// Avocet, address 7: fast and smooth; about 700 mm/s at full drive.
#[must_use]
pub fn avocet(seed: u64) -> SimSpec {
    let mut noise = recipe(seed, 7);
    let engine = EngineSim {
        friction_n_m: 1e-4 * noise.between(0.9, 1.1),
        stiction: 1.1,
        inertia_kg_m2: 1.2e-6,
        gear: 11.0,
        friction_fall: 0.15,
        scatter: 0.001,
        ripple: 0.005,
        reverse_drive: noise.between(0.99, 1.0),
        ..engine(&mut noise)
    };
    let decoder = decoder(7, &mut noise);
    whole(seed, engine, decoder, noise)
}

/// Curlew, address 11: its decoder takes no zeros in CV 2, 5 and 6; about 460 mm/s at full drive.
#[must_use]
pub fn curlew(seed: u64) -> SimSpec {
    let mut noise = recipe(seed, 11);
    let engine = EngineSim {
        friction_n_m: 2.5e-4 * noise.between(0.9, 1.1),
        gear: 16.0,
        reverse_drive: noise.between(0.96, 1.0),
        ..engine(&mut noise)
    };
    let mut decoder = decoder(11, &mut noise);
    decoder.refuses_zeros = true;
    decoder.cvs.insert(5, 255);
    whole(seed, engine, decoder, noise)
}

/// Dunlin, long address 1203: with zeros in CV 2, 5 and 6 it crawls whatever the step; about 490 mm/s at full drive.
#[must_use]
pub fn dunlin(seed: u64) -> SimSpec {
    let mut noise = recipe(seed, 1203);
    let engine = EngineSim {
        friction_n_m: 2.2e-4 * noise.between(0.9, 1.1),
        gear: 15.0,
        reverse_drive: noise.between(0.96, 1.0),
        ..engine(&mut noise)
    };
    let mut decoder = decoder(3, &mut noise);
    decoder.crawl = Some(34);
    decoder.reading = TableReading::QuarterSteps;
    decoder.cvs.extend([(17, 196), (18, 179), (29, 0x26), (66, 128), (95, 128)]);
    whole(seed, engine, decoder, noise)
}

/// Engines of one seed differ in more than their make.
fn recipe(seed: u64, address: u64) -> Noise {
    Noise::new(seed.wrapping_mul(10_007).wrapping_add(address), Stream::Recipe)
}

fn whole(seed: u64, engine: EngineSim, decoder: DecoderSim, mut noise: Noise) -> SimSpec {
    let sensor = sensor(&mut noise);
    let server = ServerSim {
        spelling: [Spelling202::Joined, Spelling202::Apart, Spelling202::Plain][pick(&mut noise, 3)],
        clock_ppm: noise.between(-50.0, 50.0),
        epoch_ms: 1_790_000_000_000 + nearest_count(noise.between(0.0, 1e9)),
        ..ServerSim::default()
    };
    SimSpec { seed, engine, decoder, beside: None, sensor, server, path: PathSim::default() }
}

/// The motor of standards/measurement.md section 10 with values inside its ranges.
fn engine(noise: &mut Noise) -> EngineSim {
    EngineSim {
        resistance_ohm: 20.0,
        constant_v_s: 0.008,
        inertia_kg_m2: 6e-7,
        friction_n_m: 2e-4,
        stiction: 1.2,
        viscous_n_m_s: 1e-8,
        supply_v: 12.0,
        gear: 15.0,
        circumference_mm: 33.0,
        bend: noise.between(0.03, 0.12),
        reverse_drive: 1.0,
        reverse_friction: 1.0,
        friction_fall: 0.25,
        winding_rise: 0.03,
        flux_loss: 0.01,
        warming_s: 150.0 * noise.between(0.8, 1.2),
        cooling_s: 600.0,
        ripple: 0.01,
        ripple_at_rad: noise.between(0.0, TAU),
        scatter: 0.002,
        placing: 0.0,
    }
}

/// A decoder as delivered: momentum on, three-point curve, a bent table that is not in use.
fn decoder(address: u8, noise: &mut Noise) -> DecoderSim {
    let mut cvs: BTreeMap<u16, u8> = BTreeMap::from([
        (1, address),
        (2, 3),
        (3, 12),
        (4, 8),
        (5, if pick(noise, 2) == 0 { 255 } else { 0 }),
        (6, 90),
        (7, 10),
        // The number that the published list gives to decoders of public domain and own making (from memory).
        (8, 13),
        (9, 0),
        (10, 0),
        (11, 4),
        (15, 0),
        (16, 0),
        (17, 192),
        (18, 128),
        (19, 0),
        (20, 0),
        (21, 0),
        (22, 0),
        (23, 0),
        (24, 0),
        (25, 0),
        (28, 0),
        (29, 6),
        (65, 0),
        (66, 0),
        (95, 0),
        (105, 17),
        (106, 34),
    ]);
    cvs.extend((1..=28_u16).map(|entry| (66 + entry, maker_curve(entry))));
    DecoderSim {
        cvs,
        reading: TableReading::EndToEnd,
        rounding: Rounding::Exact,
        trims_without_table: false,
        ignores_trims: false,
        ignores_table: false,
        scales_table: false,
        fixed_curve: None,
        refuses_zeros: false,
        crawl: None,
        unreadable: BTreeSet::new(),
        acknowledges_writes: true,
        loses_every: 0,
        write_pause: Duration::ZERO,
        key_lock: true,
        has_table: true,
        misses: 0.002,
        store: Duration::ZERO,
        kept_momentum: Duration::ZERO,
        start_delay: Duration::ZERO,
    }
}

/// A bent curve such as makers deliver: 255 (k/28)^1.5.
fn maker_curve(entry: u16) -> u8 {
    let share = f64::from(entry) / 28.0;
    u8::try_from(nearest_count(255.0 * share * share.sqrt())).unwrap_or(255)
}

fn sensor(noise: &mut Noise) -> SensorSim {
    let amplitude = noise.between(300.0, 900.0);
    SensorSim {
        measurand: Measurand::Field { pole_pairs: 1, uneven: 0.0 },
        form: LineForm::Csv,
        rate_hz: 200,
        axes: 3,
        decimals: 1,
        amplitude,
        noise: 0.01,
        polar_deg: noise.between(0.0, 90.0),
        mount: mount(noise),
        gains: [noise.between(0.9, 1.1), noise.between(0.9, 1.1), noise.between(0.9, 1.1)],
        skew_rad: [noise.between(-0.03, 0.03), noise.between(-0.03, 0.03), noise.between(-0.03, 0.03)],
        offsets: [0; 3].map(|_: i32| noise.between(-0.5, 0.5) * amplitude),
        turn_error_rad: 0.02,
        turn_error_at_rad: noise.between(0.0, TAU),
        clock_ppm: noise.between(-100.0, 100.0),
        start_us: u32::MAX - u32::try_from(nearest_count(noise.between(5e6, 300e6))).unwrap_or(0),
        header_every: 0,
        battery_v: None,
        temperature_c: None,
        flaws: Flaws::default(),
    }
}

/// A mounting in any direction, all equally likely: a rotation matrix from a random unit quaternion.
fn mount(noise: &mut Noise) -> [[f64; 3]; 3] {
    let drawn = [0; 4].map(|_: i32| noise.normal());
    let length = drawn.iter().map(|part| part * part).sum::<f64>().sqrt().max(1e-9);
    let [w, x, y, z] = drawn.map(|part| part / length);
    [
        [1.0 - 2.0 * (y * y + z * z), 2.0 * (x * y - w * z), 2.0 * (x * z + w * y)],
        [2.0 * (x * y + w * z), 1.0 - 2.0 * (x * x + z * z), 2.0 * (y * z - w * x)],
        [2.0 * (x * z - w * y), 2.0 * (y * z + w * x), 1.0 - 2.0 * (x * x + y * y)],
    ]
}

fn pick(noise: &mut Noise, count: usize) -> usize {
    (0..count).find(|choice| noise.happens(1.0 / (count - choice) as f64)).unwrap_or(0)
}
