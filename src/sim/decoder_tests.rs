//! The decoder by its packets. Expected values: standards/dcc.md, with the section of the standard named at each test.
use super::super::demo_engines;
use super::super::packet::{Packet, Speed};
use super::*;

const OWN: TrackAddress = TrackAddress { number: 4, long: false };

fn at(millis: u64) -> BenchTime {
    BenchTime::from_millis(millis)
}

/// Lapwing's decoder, powered, no packet missed, momentum off unless said.
fn decoder(cvs: &[(u16, u8)]) -> Decoder {
    let mut spec = demo_engines::lapwing(1).decoder;
    spec.misses = 0.0;
    spec.cvs.extend([(3, 0), (4, 0)]);
    spec.cvs.extend(cvs.iter().copied());
    let mut decoder = Decoder::new(spec, 1);
    decoder.set_rail(at(0), true);
    decoder
}

fn send(decoder: &mut Decoder, packet: Packet) -> bool {
    decoder.receive(at(0), packet.bytes())
}

fn drive_at(decoder: &mut Decoder, steps: u16, speed: Speed, forward: bool) {
    send(decoder, Packet::speed(OWN, steps, speed, forward, false));
}

fn order(decoder: &Decoder) -> (u16, u16, bool) {
    (decoder.ordered().steps, decoder.ordered().step, decoder.ordered().forward)
}

/// Check values 36 to 45 and the S-9.2 figure 2 table: every step of every mode comes out as it went in.
#[test]
fn every_speed_code_is_understood() {
    for (steps, setup) in [(14, 4), (28, 6), (126, 6)] {
        let mut decoder = decoder(&[(29, setup)]);
        for step in 1..=steps {
            for forward in [true, false] {
                drive_at(&mut decoder, steps, Speed::Step(step), forward);
                assert_eq!(order(&decoder), (steps, step, forward));
            }
        }
        drive_at(&mut decoder, steps, Speed::Stand, true);
        assert_eq!(order(&decoder), (steps, 0, true));
    }
}

/// S-9.2 figure 1 (address 55, step 6) and figure 2: stop and emergency stop with either C bit.
#[test]
fn published_bytes_are_understood() {
    let mut decoder = decoder(&[(1, 55)]);
    decoder.receive(at(0), &[0x37, 0x74, 0x43]);
    assert_eq!(order(&decoder), (28, 6, true));
    decoder.receive(at(0), &[0x37, 0x74, 0x44]);
    for stop in [0x60_u8, 0x70, 0x61, 0x71, 0x40, 0x51] {
        decoder.receive(at(0), &[0x37, 0x74, 0x43]);
        decoder.receive(at(0), &[0x37, stop, 0x37 ^ stop]);
        assert_eq!(decoder.ordered().step, 0, "{stop:02X}");
    }
}

#[test]
fn a_wrong_error_byte_or_another_address_changes_nothing() {
    let mut decoder = decoder(&[]);
    drive_at(&mut decoder, 126, Speed::Step(9), true);
    let mut bytes = Packet::speed(OWN, 126, Speed::Step(80), true, false).bytes().to_vec();
    bytes[2] ^= 0x10;
    decoder.receive(at(0), &bytes);
    for other in [TrackAddress { number: 5, long: false }, TrackAddress { number: 4, long: true }] {
        send(&mut decoder, Packet::speed(other, 126, Speed::Step(80), true, false));
    }
    for broken in [&[][..], &[4], &[4, 4], &[1, 2, 3, 4, 5, 6, 7]] {
        decoder.receive(at(0), broken);
    }
    assert_eq!(order(&decoder), (126, 9, true));
}

/// S-9.2 B (packets 6 and 7 of section 3.3) and figure 2: plain stop brakes, emergency stop cuts the drive.
#[test]
fn broadcasts_stop_and_the_emergency_stop_leaves_no_drive() {
    for (broadcast, drives_on) in [([0x00, 0x50, 0x50], true), ([0x00, 0x51, 0x51], false)] {
        let mut decoder = decoder(&[(4, 20)]);
        drive_at(&mut decoder, 126, Speed::Step(100), true);
        decoder.tick(at(1), 0.001);
        assert!(decoder.drive() > 0.5);
        decoder.receive(at(2), &broadcast);
        decoder.tick(at(3), 0.001);
        assert_eq!(decoder.drive() > 0.5, drives_on);
        assert_eq!(decoder.ordered().step, 0);
    }
}

/// Check value 60 on the running decoder: CV 3 = 20, standstill to full in 17.92 s (28 steps).
#[test]
fn momentum_takes_the_published_time_up_and_down_and_through_standstill() {
    let mut decoder = decoder(&[(3, 20), (4, 10)]);
    let mut now = 0;
    let mut run = |decoder: &mut Decoder, until: i32| {
        let start = now;
        while decoder.momentum.now() != (28, until > 0) {
            now += 1;
            drive_at(decoder, 28, Speed::Step(28), until > 0);
            decoder.last_heard = at(now);
            decoder.tick(at(now), 0.001);
            assert!(now - start < 60_000);
        }
        now - start
    };
    assert!((17_919..=17_922).contains(&run(&mut decoder, 28)));
    assert!((26_878..=26_884).contains(&run(&mut decoder, -28)), "8.96 s of braking, 17.92 s up again");
}

/// S-9.2.2 CV 29 bit 0.
#[test]
fn cv_29_bit_0_turns_the_engine_round() {
    for (setup, turns_forward) in [(6, true), (7, false)] {
        let mut decoder = decoder(&[(29, setup)]);
        drive_at(&mut decoder, 28, Speed::Step(20), true);
        decoder.tick(at(1), 0.001);
        assert_eq!(decoder.drive() > 0.0, turns_forward);
    }
}

/// S-9.2.2 CV 19, S-9.2.1 C: in a consist it is deaf to speeds to its own address; check value 29.
#[test]
fn a_consist_makes_it_deaf_to_its_own_address() {
    let mut decoder = decoder(&[(19, 131)]);
    drive_at(&mut decoder, 126, Speed::Step(50), true);
    assert_eq!(decoder.ordered().step, 0);
    send(&mut decoder, Packet::functions(OWN, 0, 0b1));
    assert_eq!(decoder.functions(), 1);
    let consist = TrackAddress { number: 3, long: false };
    send(&mut decoder, Packet::speed(consist, 126, Speed::Step(50), true, false));
    assert_eq!(order(&decoder), (126, 50, false));
    decoder.receive(at(0), &[0x04, 0x12, 0x00, 0x16]);
    drive_at(&mut decoder, 126, Speed::Step(7), true);
    assert_eq!(order(&decoder), (126, 7, true));
}

#[test]
fn all_function_groups_arrive() {
    let mut decoder = decoder(&[]);
    let wanted = 0x1AAA_AAAA | 1;
    for group in 0..5 {
        send(&mut decoder, Packet::functions(OWN, group, wanted));
    }
    assert_eq!(decoder.functions(), wanted & 0x1FFF_FFFF);
}

/// S-9.2.1 C: two identical packets; any other packet to this decoder voids the write, one to others does not.
#[test]
fn programming_on_the_main_wants_two_identical_packets() {
    let mut decoder = decoder(&[]);
    let write = Packet::main_write(OWN, 3, 77);
    send(&mut decoder, write);
    send(&mut decoder, Packet::speed(OWN, 126, Speed::Stand, true, false));
    send(&mut decoder, write);
    assert_eq!(decoder.memory().get(3), 0);
    send(&mut decoder, Packet::idle());
    send(&mut decoder, write);
    assert_eq!(decoder.memory().get(3), 77);
    let bit = Packet::main_write_bit(OWN, 29, 4, true);
    send(&mut decoder, bit);
    send(&mut decoder, bit);
    assert_eq!(decoder.memory().get(29), 22, "check value 32");
    for cv in [7, 8] {
        send(&mut decoder, Packet::main_write(OWN, cv, 8));
        send(&mut decoder, Packet::main_write(OWN, cv, 8));
    }
    assert_eq!((decoder.memory().get(7), decoder.memory().factory_resets()), (10, 0), "RCN-226");
}

fn asked_in_service(decoder: &mut Decoder, packet: Packet) -> bool {
    send(decoder, Packet::reset());
    let first = send(decoder, packet);
    assert!(!first, "one packet is not enough (S-9.2.3 E)");
    send(decoder, packet)
}

/// S-9.2.3 C and E, with the packets of check values 48 and 49.
#[test]
fn service_mode_answers_the_second_of_two_identical_packets_after_a_reset() {
    let mut decoder = decoder(&[]);
    let write = Packet::service_write(2, 10);
    assert!(!send(&mut decoder, write) && !send(&mut decoder, write), "no reset before");
    assert_eq!(decoder.memory().get(2), 3);
    assert!(asked_in_service(&mut decoder, write));
    assert_eq!(decoder.memory().get(2), 10);
    assert!(asked_in_service(&mut decoder, Packet::service_verify(2, 10)));
    assert!(!asked_in_service(&mut decoder, Packet::service_verify(2, 11)));
    // CV 8 is 13 = 0b0000_1101: bit 7 is off.
    assert!(!asked_in_service(&mut decoder, Packet::service_verify_bit(8, 7, true)));
    assert!(asked_in_service(&mut decoder, Packet::service_verify_bit(8, 7, false)));
    assert!(asked_in_service(&mut decoder, Packet::service_write_bit(29, 4, true)));
    assert_eq!(decoder.memory().get(29), 22);
    assert!(!asked_in_service(&mut decoder, Packet::service_write(600, 1)), "no such CV");
    send(&mut decoder, Packet::reset());
    send(&mut decoder, write);
    send(&mut decoder, Packet::reset());
    assert!(!send(&mut decoder, write), "a reset between them parts the two");
}

/// S-9.2.3 C: any other packet ends service mode, and so does a pause of 20 ms.
#[test]
fn service_mode_ends() {
    let mut decoder = decoder(&[]);
    let verify = Packet::service_verify(2, 3);
    assert!(asked_in_service(&mut decoder, verify));
    send(&mut decoder, Packet::idle());
    assert!(!send(&mut decoder, verify) && !send(&mut decoder, verify));
    assert!(asked_in_service(&mut decoder, verify));
    assert!(!decoder.receive(at(21), verify.bytes()) && !decoder.receive(at(22), verify.bytes()));
}

/// Resets and service mode let no engine run (S-9.2 B; S-9.2.3).
#[test]
fn a_reset_stops_the_engine_at_once() {
    let mut decoder = decoder(&[(4, 100)]);
    drive_at(&mut decoder, 126, Speed::Step(100), true);
    decoder.tick(at(1), 0.001);
    assert!(decoder.drive() > 0.1);
    send(&mut decoder, Packet::reset());
    decoder.tick(at(2), 0.001);
    assert!(decoder.drive().abs() < 1e-12);
}

/// S-9.2.4 C: without packets for the time of CV 11 it comes to a stop; 0 is no limit (RCN-225 CV 11).
#[test]
fn the_packet_time_out_stops_it() {
    for (limit, runs) in [(2, false), (0, true)] {
        let mut decoder = decoder(&[(11, limit)]);
        drive_at(&mut decoder, 126, Speed::Step(100), true);
        for now in 0..3000 {
            decoder.tick(at(now), 0.001);
        }
        assert_eq!(decoder.drive() > 0.1, runs);
    }
}

/// S-9.2.4 A: after a break the engine starts from standstill; a store bridges a short one.
#[test]
fn without_power_it_stands_and_a_store_bridges_a_short_break() {
    for (store_ms, break_ms, runs) in [(0, 100, false), (300, 100, true), (300, 400, false)] {
        let mut decoder = decoder(&[]);
        decoder.spec.store = Duration::from_millis(store_ms);
        drive_at(&mut decoder, 126, Speed::Step(100), true);
        decoder.tick(at(1), 0.001);
        decoder.set_rail(at(1), false);
        for now in 2..break_ms {
            decoder.tick(at(now), 0.001);
        }
        decoder.set_rail(at(break_ms), true);
        decoder.tick(at(break_ms), 0.001);
        assert_eq!(decoder.drive() > 0.1, runs, "{store_ms} {break_ms}");
    }
}

/// Momentum that CV 3 and 4 do not switch off: the drive goes evenly over the whole range in the time it keeps. A stop
/// for an emergency is at once all the same (S-9.2.1).
#[test]
fn kept_momentum_is_a_ramp_that_zero_in_cv_3_and_4_leaves() {
    let mut spec = demo_engines::lapwing(1).decoder;
    (spec.misses, spec.kept_momentum) = (0.0, Duration::from_secs(4));
    spec.cvs.extend([(2, 0), (3, 0), (4, 0), (5, 0), (6, 0), (11, 0), (29, 6)]);
    let mut decoder = Decoder::new(spec, 1);
    decoder.set_rail(at(0), true);
    drive_at(&mut decoder, 28, Speed::Step(28), true);
    let mut millis = 0;
    let mut pass = |decoder: &mut Decoder, span: u64| {
        for _ in 0..span {
            millis += 1;
            decoder.tick(at(millis), 0.001);
        }
        decoder.drive()
    };
    assert!((pass(&mut decoder, 1000) - 0.25).abs() < 1e-9);
    assert!((pass(&mut decoder, 2999) - 0.999_75).abs() < 1e-9);
    assert!((pass(&mut decoder, 500) - 1.0).abs() < 1e-9);
    drive_at(&mut decoder, 28, Speed::Stand, true);
    assert!((pass(&mut decoder, 2000) - 0.5).abs() < 1e-9);
    drive_at(&mut decoder, 28, Speed::Emergency, true);
    assert!(pass(&mut decoder, 1).abs() < 1e-12);
}

/// A start from rest waits for a sound: once, not for every further step, and anew after each rest.
#[test]
fn a_start_delay_withholds_the_drive_from_rest_only() {
    let mut spec = demo_engines::lapwing(1).decoder;
    (spec.misses, spec.start_delay) = (0.0, Duration::from_secs(3));
    spec.cvs.extend([(3, 0), (4, 0), (11, 0)]);
    let mut decoder = Decoder::new(spec, 1);
    decoder.set_rail(at(0), true);
    let mut millis = 0;
    let mut pass = |decoder: &mut Decoder, span: u64| {
        for _ in 0..span {
            millis += 1;
            decoder.tick(at(millis), 0.001);
        }
        decoder.drive() > 0.0
    };
    for _ in 0..2 {
        drive_at(&mut decoder, 28, Speed::Step(4), true);
        assert!(!pass(&mut decoder, 2000));
        drive_at(&mut decoder, 28, Speed::Step(8), true);
        assert!(!pass(&mut decoder, 990));
        assert!(pass(&mut decoder, 20));
        drive_at(&mut decoder, 28, Speed::Step(5), true);
        assert!(pass(&mut decoder, 10));
        drive_at(&mut decoder, 28, Speed::Stand, true);
        assert!(!pass(&mut decoder, 10));
    }
}
