//! The server by its lines. T, Q and D name the lines of standards/srcp.md A9 (T: printed trace of an older server; Q:
//! quoted in public; D: derived there). Only codes and data are compared where the sheet says that texts differ.
use super::super::spec::{ServerSim, SimSpec};
use super::super::tests::Talk;
use super::super::{SimFault, Spelling202, StationLine, demo_engines};
use crate::time::BenchTime;
use std::time::Duration;

fn spec(change: impl FnOnce(&mut ServerSim)) -> SimSpec {
    let mut spec = demo_engines::lapwing(3);
    spec.server.spelling = Spelling202::Apart;
    change(&mut spec.server);
    spec
}

fn talk() -> Talk {
    Talk::new(spec(|_| ()))
}

fn assert_lines(found: &[String], expected: &[&str]) {
    assert_eq!(found, expected);
}

#[test]
fn the_welcome_comes_without_timestamp_and_the_rest_with_one() {
    let mut talk = talk();
    let conn = talk.connect();
    let welcome = talk.raw_line(conn);
    assert!(welcome.split(';').any(|item| item.trim() == "SRCP 0.8.4"), "Q1: {welcome}");
    talk.send(conn, "GO\n");
    let reply = talk.raw_line(conn);
    let (stamp, rest) = reply.split_once(' ').unwrap();
    let (seconds, millis) = stamp.split_once('.').unwrap();
    assert!(seconds.len() == 10 && millis.len() == 3 && seconds.chars().all(|c| c.is_ascii_digit()));
    assert_eq!(rest, "200 OK GO 1", "T4, T12");
}

#[test]
fn the_handshake_has_the_printed_replies() {
    let mut talk = talk();
    let conn = talk.connect();
    talk.raw_line(conn);
    for (line, reply) in [
        ("SET PROTOCOL SRCP 0.8.3", "201 OK PROTOCOL SRCP"),
        ("SET PROTOCOL SRCP 0.9.9", "400 ERROR unsupported protocol"),
        ("SET CONNECTIONMODE SRCP INF", "401 ERROR unsupported connection mode"),
        ("SET CONNECTIONMODE", "402 ERROR insufficient data"),
        ("FROB", "410 ERROR unknown command"),
        ("GET 1 POWER", "410 ERROR unknown command"),
        ("SET CONNECTIONMODE SRCP COMMAND", "202 OK CONNECTION MODE"),
        ("GO", "200 OK GO 1"),
        ("TERM 0 SESSION", "200 OK"),
    ] {
        assert_eq!(talk.ask(conn, line), reply, "Q27, T2, T3, T13: {line}");
    }
    assert!(talk.is_closed(conn));
}

#[test]
fn spellings_and_line_ends_vary_between_servers() {
    for (spelling, word) in [
        (Spelling202::Joined, "CONNECTIONMODEOK"),
        (Spelling202::Apart, "CONNECTION MODE"),
        (Spelling202::Plain, "CONNECTIONMODE"),
    ] {
        let mut talk = Talk::new(spec(|server| {
            server.spelling = spelling;
            server.timestamps = false;
            server.cr_lf = true;
            server.short_go = true;
        }));
        let conn = talk.connect();
        assert!(talk.raw_line(conn).ends_with('\r'));
        talk.send(conn, "SET CONNECTIONMODE SRCP COMMAND\r\n");
        assert_eq!(talk.raw_line(conn), format!("202 OK {word}\r"));
        talk.send(conn, "GO\r\n");
        assert_eq!(talk.raw_line(conn), "200 OK 1\r");
    }
}

#[test]
fn engines_are_announced_driven_and_asked() {
    let mut talk = talk();
    let conn = talk.command_session();
    for (line, reply) in [
        ("GET 1 GL 99", "416 ERROR no data"),
        ("SET 1 GL 99 1 1 28", "416 ERROR no data"),
        ("INIT 1 GL 3 N 1 28 4", "200 OK"),
        ("INIT 1 GL 1 N 1 128 4", "200 OK"),
        ("SET 1 GL 3 1 14 28 0 0 0 0", "200 OK"),
        ("GET 1 GL 3", "100 INFO 1 GL 3 1 14 28 0 0 0 0"),
        ("SET 1 GL 3 2 0 28 0 0 0 0", "200 OK"),
        ("GET 1 GL 3", "100 INFO 1 GL 3 2 0 28 0 0 0 0"),
        ("SET 1 GL 3", "419 ERROR list too short"),
        ("SET 1 GL 3 1 14", "419 ERROR list too short"),
        ("SET 1 GL 3 1 29 28", "412 ERROR wrong value"),
        ("SET 1 GL 3 3 1 28", "412 ERROR wrong value"),
        ("SET 1 GL 3 1 -1 28", "412 ERROR wrong value"),
        ("SET 1 GL 3 1 1 28 2", "412 ERROR wrong value"),
        ("SET 1 GL 3 1 1 28 0 0 0 0 0", "418 ERROR list too long"),
        ("INIT 1 GL 3 Q 1 28 4", "420 ERROR unsupported device protocol"),
        ("INIT 1 GL 128 N 1 28 4", "412 ERROR wrong value"),
        ("INIT 1 GL 3 N 1 27 4", "412 ERROR wrong value"),
        ("GET 1 DESCRIPTION GL 1", "100 INFO 1 DESCRIPTION GL 1 N 1 128 4"),
        ("VERIFY 1 GL 3", "423 ERROR unsupported operation"),
        ("TERM 1 GL 3", "200 OK"),
        ("GET 1 GL 3", "416 ERROR no data"),
        ("FROB 1 GL 3", "410 ERROR unknown command"),
        ("GET", "419 ERROR list too short"),
        ("GET 9 POWER", "412 ERROR wrong value"),
        ("GET 1 FB 3", "422 ERROR unsupported device group"),
    ] {
        assert_eq!(talk.ask(conn, line), reply, "Q2, Q30, D1 to D5, D7: {line}");
    }
}

/// V is relative: `step = clamp(floor(V S / V_max), 1, S)` (standards/srcp.md A5, [derived]).
#[test]
fn speeds_arrive_as_decoder_steps() {
    let mut talk = talk();
    let conn = talk.command_session();
    talk.ask(conn, "SET 1 POWER ON");
    for (steps, v, v_max, expected) in [
        (128, 1, 126, (126, 1)),
        (128, 126, 126, (126, 126)),
        (128, 63, 126, (126, 63)),
        (128, 1, 1000, (126, 1)),
        (128, 500, 1000, (126, 63)),
        (28, 14, 28, (28, 14)),
        (28, 1, 126, (28, 1)),
        (28, 100, 126, (28, 22)),
        (28, 5, 0, (28, 5)),
    ] {
        talk.ask(conn, &format!("INIT 1 GL 4 N 1 {steps} 5"));
        talk.ask(conn, &format!("SET 1 GL 4 1 {v} {v_max} 0 0 0 0 0"));
        talk.run(Duration::from_millis(100));
        let truth = talk.bench.truth();
        assert_eq!((truth.ordered_of, truth.ordered_step), expected);
    }
    talk.ask(conn, "SET 1 GL 4 2 9 28 1 0 1 0 0");
    talk.run(Duration::from_millis(100));
    let truth = talk.bench.truth();
    assert_eq!((truth.ordered_step, truth.functions), (0, 0b101));
}

#[test]
fn power_is_switched_and_told() {
    let mut talk = talk();
    let conn = talk.command_session();
    for (line, reply) in [
        ("GET 1 POWER", "100 INFO 1 POWER OFF AT START"),
        ("SET 1 POWER ON", "200 OK"),
        ("GET 1 POWER", "100 INFO 1 POWER ON"),
        ("SET 1 POWER OFF bench is empty", "200 OK"),
        ("GET 1 POWER", "100 INFO 1 POWER OFF bench is empty"),
        ("SET 1 POWER MAYBE", "412 ERROR wrong value"),
        ("SET 1 POWER", "419 ERROR list too short"),
    ] {
        assert_eq!(talk.ask(conn, line), reply, "Q28, D6: {line}");
    }
}

#[test]
fn session_server_and_description_answer() {
    let mut talk = talk();
    let conn = talk.command_session();
    for (line, reply) in [
        ("GET 0 SERVER", "100 INFO 0 SERVER RUNNING"),
        ("TERM 0 SERVER", "415 ERROR forbidden"),
        ("GET 0 SESSION 1", "100 INFO 0 SESSION 1 COMMAND"),
        ("TERM 0 SESSION 99", "415 ERROR forbidden"),
        ("GET 0 DESCRIPTION", "100 INFO 0 DESCRIPTION SESSION SERVER"),
        ("GET 1 DESCRIPTION", "100 INFO 1 DESCRIPTION GL POWER SM LOCK DESCRIPTION"),
        ("INIT 1 SM NMRA", "200 OK"),
        ("GET 1 DESCRIPTION SM", "100 INFO 1 DESCRIPTION SM NMRA"),
    ] {
        assert_eq!(talk.ask(conn, line), reply, "Q18, Q24: {line}");
    }
    let mut bare = Talk::new(spec(|server| (server.locks, server.programming) = (false, false)));
    let conn = bare.command_session();
    assert_eq!(bare.ask(conn, "GET 1 DESCRIPTION"), "100 INFO 1 DESCRIPTION GL POWER DESCRIPTION");
    assert_eq!(bare.ask(conn, "SET 1 LOCK GL 4 60"), "422 ERROR unsupported device group");
}

#[test]
fn a_lock_keeps_others_out_until_it_ends() {
    let mut talk = talk();
    let (a, b) = (talk.command_session(), talk.command_session());
    assert_eq!(talk.ask(a, "SET 1 LOCK GL 3 60"), "412 ERROR wrong value", "never announced");
    talk.ask(a, "INIT 1 GL 3 N 1 28 2");
    assert_eq!(talk.ask(a, "GET 1 LOCK GL 3"), "100 INFO 1 LOCK GL 3 0 0");
    assert_eq!(talk.ask(a, "SET 1 LOCK GL 3 60"), "200 OK");
    assert_eq!(talk.ask(b, "GET 1 LOCK GL 3"), "100 INFO 1 LOCK GL 3 60 1", "Q19");
    for line in [
        "SET 1 GL 3 1 5 28 0",
        "INIT 1 GL 3 N 1 28 2",
        "TERM 1 GL 3",
        "SET 1 LOCK GL 3 5",
        "TERM 1 LOCK GL 3",
    ] {
        assert_eq!(talk.ask(b, line), "414 ERROR device locked", "D9: {line}");
    }
    assert_eq!(talk.ask(b, "GET 1 GL 3"), "100 INFO 1 GL 3 1 0 28 0 0");
    assert_eq!(talk.ask(a, "SET 1 GL 3 1 5 28 0"), "200 OK");
    talk.bench.station_gone(a);
    assert_eq!(talk.ask(b, "SET 1 GL 3 1 5 28 0"), "200 OK", "D10");
    assert_eq!(talk.ask(b, "SET 1 LOCK GL 3 2"), "200 OK");
    let c = talk.command_session();
    assert_eq!(talk.ask(c, "SET 1 GL 3 1 6 28 0"), "414 ERROR device locked");
    talk.run(Duration::from_secs(2));
    assert_eq!(talk.ask(c, "SET 1 GL 3 1 6 28 0"), "200 OK", "its time is over");
}

#[test]
fn the_programming_track_reads_writes_and_verifies() {
    let mut talk = talk();
    let conn = talk.command_session();
    assert_eq!(talk.ask(conn, "GET 1 SM -1 CV 8"), "412 ERROR wrong value", "before INIT");
    for (line, reply) in [
        ("INIT 1 SM MADE", "420 ERROR unsupported device protocol"),
        ("INIT 1 SM NMRA", "200 OK"),
        ("GET 1 SM -1 CV 8", "100 INFO 1 SM -1 CV 8 13"),
        ("GET 1 SM 0 CV 19", "100 INFO 1 SM 0 CV 19 0"),
        ("SET 1 SM -1 CV 29 2", "200 OK"),
        ("GET 1 SM -1 CV 29", "100 INFO 1 SM -1 CV 29 2"),
        ("SET 1 SM -1 CVBIT 29 2 1", "200 OK"),
        ("GET 1 SM -1 CVBIT 29 2", "100 INFO 1 SM -1 CVBIT 29 2 1"),
        ("GET 1 SM -1 CVBIT 29 0", "100 INFO 1 SM -1 CVBIT 29 0 0"),
        ("VERIFY 1 SM -1 CV 29 6", "200 OK"),
        ("VERIFY 1 SM -1 CV 29 7", "412 ERROR wrong value"),
        ("GET 1 SM -1 CV 600", "416 ERROR no data"),
        ("SET 1 SM -1 CV 7 1", "416 ERROR no data"),
        ("SET 1 SM -1 CV 0 1", "412 ERROR wrong value"),
        ("SET 1 SM -1 CV 1025 1", "412 ERROR wrong value"),
        ("SET 1 SM -1 CV 3 256", "412 ERROR wrong value"),
        ("SET 1 SM -1 CV 3", "419 ERROR list too short"),
        ("SET 1 SM -1 REG 5 2", "425 ERROR not supported"),
        ("SET 1 SM -1 BYTE 5 2", "411 ERROR unknown value"),
        ("GET 1 SM 4 CV 3", "423 ERROR unsupported operation"),
        ("SET 1 SM 4 CV 3 9", "413 ERROR temporarily prohibited"),
        ("TERM 1 SM", "200 OK"),
    ] {
        assert_eq!(talk.ask(conn, line), reply, "Q6 to Q13: {line}");
    }
}

#[test]
fn the_main_is_written_without_acknowledgement() {
    let mut talk = talk();
    let conn = talk.command_session();
    for line in ["SET 1 POWER ON", "INIT 1 GL 4 N 1 128 5", "INIT 1 SM NMRA", "SET 1 SM 4 CV 4 42"] {
        assert_eq!(talk.ask(conn, line), "200 OK", "Q17: {line}");
    }
    assert_eq!(talk.bench.truth().cvs[&4], 42);
    assert_eq!(talk.ask(conn, "SET 1 SM 4 CVBIT 29 4 1"), "200 OK");
    assert_eq!(talk.bench.truth().cvs[&29], 22);
    assert_eq!(talk.ask(conn, "SET 1 SM 9 CV 4 1"), "200 OK", "another decoder: nobody knows");
    assert_eq!(talk.bench.truth().cvs[&4], 42);
}

/// A read is checked by a byte verify and tried again (S-9.2.3 E): with pulses overlooked and packets missed it may end
/// without an answer, never with a wrong one.
#[test]
fn a_poor_contact_never_gives_a_wrong_value() {
    let mut spec = spec(|server| server.overlooks = 0.15);
    spec.decoder.misses = 0.05;
    let mut talk = Talk::new(spec);
    let conn = talk.command_session();
    talk.ask(conn, "INIT 1 SM NMRA");
    let (mut right, mut silent) = (0, 0);
    for _ in 0..60 {
        match talk.ask(conn, "GET 1 SM -1 CV 94").as_str() {
            "100 INFO 1 SM -1 CV 94 255" => right += 1,
            "416 ERROR no data" => silent += 1,
            other => panic!("{other}"),
        }
    }
    assert!(right > 10 && silent > 0, "{right} right, {silent} silent");
}

#[test]
fn some_cvs_do_not_answer_and_some_decoders_keep_writes_to_themselves() {
    let mut spec = spec(|_| ());
    spec.decoder.unreadable.insert(3);
    spec.decoder.acknowledges_writes = false;
    let mut talk = Talk::new(spec);
    let conn = talk.command_session();
    talk.ask(conn, "INIT 1 SM NMRA");
    for line in ["GET 1 SM -1 CV 3", "GET 1 SM -1 CVBIT 3 0", "SET 1 SM -1 CV 3 44"] {
        assert_eq!(talk.ask(conn, line), "416 ERROR no data", "{line}");
    }
    assert_eq!(talk.bench.truth().cvs[&3], 44, "written all the same");
}

#[test]
fn a_second_announcement_may_be_told_and_speeds_reported_in_steps() {
    let mut talk = Talk::new(spec(|server| (server.says_reinitialized, server.reports_steps) = (true, true)));
    let conn = talk.command_session();
    assert_eq!(talk.ask(conn, "INIT 1 GL 4 N 1 128 1"), "200 OK");
    assert_eq!(talk.ask(conn, "INIT 1 GL 4 N 1 28 1"), "424 ERROR device reinitialized");
    talk.ask(conn, "SET 1 GL 4 1 50 100 1");
    assert_eq!(talk.ask(conn, "GET 1 GL 4"), "100 INFO 1 GL 4 1 14 28 1");
}

#[test]
fn the_stations_own_throttle_may_hold_the_lock() {
    let mut talk = talk();
    let conn = talk.command_session();
    talk.ask(conn, "INIT 1 GL 4 N 1 128 1");
    talk.bench.apply(SimFault::AnotherLock);
    assert_eq!(talk.ask(conn, "SET 1 GL 4 1 0 126"), "414 ERROR device locked");
    assert_eq!(talk.ask(conn, "SET 1 POWER OFF"), "200 OK", "power is not locked");
}

/// Sequences of S-9.2.3 E at the packet times of S-9.1: a read takes half a second to one, a write about a tenth or two.
#[test]
fn programming_takes_its_time_and_other_sessions_do_not_wait() {
    let mut talk = talk();
    let (a, b) = (talk.command_session(), talk.command_session());
    talk.ask(a, "INIT 1 SM NMRA");
    talk.ask(a, "GET 1 SM -1 CV 1");
    let start = talk.now;
    talk.ask(a, "GET 1 SM -1 CV 3");
    let read = talk.now.since(start).as_secs_f64();
    assert!((0.4..1.0).contains(&read), "{read} s");
    let start = talk.now;
    talk.ask(a, "SET 1 SM -1 CV 3 5");
    let write = talk.now.since(start).as_secs_f64();
    assert!((0.08..0.25).contains(&write), "{write} s");
    talk.send(a, "GET 1 SM -1 CV 3\nGET 1 POWER\n");
    let start = talk.now;
    assert_eq!(talk.ask(b, "GET 0 SERVER"), "100 INFO 0 SERVER RUNNING");
    assert_eq!(talk.ask(b, "GET 1 SM -1 CV 2"), "413 ERROR temporarily prohibited");
    assert!(talk.now.since(start) < Duration::from_millis(20));
    assert_eq!(talk.next_line(a), "100 INFO 1 SM -1 CV 3 5");
    assert_eq!(
        talk.next_line(a),
        "100 INFO 1 POWER OFF AT START",
        "lines of one session are answered in order"
    );
}

#[test]
fn in_service_mode_nothing_drives_and_term_brings_the_main_back() {
    let mut talk = talk();
    let conn = talk.command_session();
    for line in ["SET 1 POWER ON", "INIT 1 GL 4 N 1 128 5", "SET 1 GL 4 1 100 126", "INIT 1 SM NMRA"] {
        assert_eq!(talk.ask(conn, line), "200 OK");
    }
    talk.run(Duration::from_secs(20));
    assert!(talk.bench.truth().speed_mm_s > 100.0);
    talk.ask(conn, "GET 1 SM -1 CV 1");
    talk.run(Duration::from_secs(2));
    let truth = talk.bench.truth();
    assert!(truth.in_service_mode && truth.speed_mm_s == 0.0);
    assert_eq!(talk.ask(conn, "SET 1 GL 4 1 50 126"), "413 ERROR temporarily prohibited");
    assert_eq!(talk.ask(conn, "SET 1 GL 4 1 0 126"), "200 OK", "a stop is always taken");
    assert_eq!(talk.ask(conn, "TERM 1 SM"), "200 OK");
    assert_eq!(talk.ask(conn, "SET 1 GL 4 1 50 126"), "200 OK");
    talk.run(Duration::from_secs(10));
    assert!(talk.bench.truth().speed_mm_s > 20.0);
    assert_eq!(talk.ask(conn, "INIT 1 SM NMRA"), "200 OK");
    talk.send(conn, "GET 1 SM -1 CV 1\nGET 1 POWER\n");
    talk.run(Duration::from_millis(50));
    talk.bench.apply(SimFault::PowerCut);
    assert_eq!(talk.next_line(conn), "416 ERROR no data", "the rail went dead under the job");
    assert_eq!(talk.next_line(conn), "100 INFO 1 POWER OFF SHORT CIRCUIT");
    assert!(!talk.bench.truth().rail_live);
}

#[test]
fn an_information_session_hears_the_state_and_every_change() {
    let mut talk = talk();
    let command = talk.command_session();
    talk.ask(command, "INIT 1 GL 4 N 1 128 2");
    talk.run(Duration::from_secs(1));
    let info = talk.connect();
    talk.raw_line(info);
    for line in ["SET CONNECTIONMODE SRCP INFO", "GO"] {
        talk.ask(info, line);
    }
    talk.send(info, "SET 1 POWER ON\n");
    talk.run(Duration::from_millis(50));
    assert_lines(
        &talk.lines(info),
        &[
            "100 INFO 0 DESCRIPTION SESSION SERVER",
            "101 INFO 0 SESSION 1 COMMAND",
            "101 INFO 0 SESSION 2 INFO",
            "100 INFO 1 DESCRIPTION GL POWER SM LOCK DESCRIPTION",
            "101 INFO 1 GL 4 N 1 128 2",
            "100 INFO 1 GL 4 1 0 126 0 0",
            "100 INFO 1 POWER OFF AT START",
        ],
    );
    for line in
        ["SET 1 POWER ON", "SET 1 GL 4 0 7 126 1", "SET 1 LOCK GL 4 9", "TERM 1 LOCK GL 4", "TERM 1 GL 4"]
    {
        talk.ask(command, line);
    }
    talk.bench.apply(SimFault::PowerCut);
    talk.run(Duration::from_millis(50));
    assert_lines(
        &talk.lines(info),
        &[
            "100 INFO 1 POWER ON",
            "100 INFO 1 GL 4 0 7 126 1 0",
            "100 INFO 1 LOCK GL 4 9 1",
            "102 INFO 1 LOCK GL 4",
            "102 INFO 1 GL 4",
            "100 INFO 1 POWER OFF SHORT CIRCUIT",
        ],
    );
    talk.bench.apply(SimFault::AnotherThrottle { step: 30, forward: true });
    talk.run(Duration::from_millis(50));
    assert_lines(&talk.lines(info), &["101 INFO 1 GL 4 N 1 128 5", "100 INFO 1 GL 4 1 30 126 0 0 0 0 0"]);
}

#[test]
fn a_silent_server_answers_afterwards_and_a_late_one_later() {
    let mut talk = talk();
    let conn = talk.command_session();
    talk.bench.apply(SimFault::StationSilent(Duration::from_secs(5)));
    let start = talk.now;
    assert_eq!(talk.ask(conn, "SET 1 POWER ON"), "200 OK");
    assert!(talk.now.since(start) >= Duration::from_secs(5));
    talk.bench.apply(SimFault::LateReplies(Duration::from_millis(700)));
    let start = talk.now;
    talk.ask(conn, "GET 1 POWER");
    assert!(talk.now.since(start) >= Duration::from_millis(700));
    talk.bench.apply(SimFault::StationDrop(None));
    talk.run(Duration::from_millis(1));
    assert!(talk.is_closed(conn));
    assert!(talk.now > BenchTime::ZERO);
}

#[test]
fn a_line_beyond_all_length_is_refused_and_the_next_one_read() {
    let mut talk = talk();
    let conn = talk.command_session();
    talk.send(conn, &"x".repeat(5000));
    assert_eq!(talk.ask(conn, ""), "418 ERROR list too long");
    assert_eq!(talk.ask(conn, "GET 0 SERVER"), "100 INFO 0 SERVER RUNNING");
}

#[test]
fn a_full_server_refuses_and_closes() {
    let mut talk = Talk::new(spec(|server| server.most_sessions = 1));
    talk.command_session();
    let conn = talk.connect();
    talk.raw_line(conn);
    assert_eq!(talk.ask(conn, "GO"), "500 ERROR out of resources");
    assert!(talk.is_closed(conn));
}

#[test]
fn a_serial_line_that_sees_no_opening_carries_its_session_and_a_half_line_on() {
    let mut talk = Talk::new(spec(|server| server.line = StationLine::Serial { greets: false }));
    let first = talk.connect();
    assert_eq!(
        talk.ask(first, "GET 0 SERVER"),
        "410 ERROR unknown command",
        "no greeting, in handshake mode"
    );
    assert_eq!(talk.ask(first, "GO"), "200 OK GO 1");
    talk.ask(first, "INIT 1 GL 3 N 1 28 2");
    talk.ask(first, "SET 1 LOCK GL 3 60");
    talk.send(first, "GET 1 POWER\nSET 1 GL 3");
    talk.bench.station_gone(first);
    talk.run(Duration::from_secs(1));
    let second = talk.connect();
    assert_eq!(
        talk.ask(second, ""),
        "419 ERROR list too short",
        "the half line; the answer before it is lost"
    );
    assert_eq!(talk.ask(second, "GET 1 LOCK GL 3"), "100 INFO 1 LOCK GL 3 60 1", "the session still stands");
    assert!(talk.lines(first).is_empty());
    assert_eq!(talk.ask(second, "TERM 0 SESSION"), "200 OK");
    assert!(talk.raw_line(second).contains("SRCP"), "a new handshake on the same line");
    assert!(!talk.is_closed(second));
}

#[test]
fn a_serial_line_that_sees_an_opening_greets_and_begins_anew() {
    let mut talk = Talk::new(spec(|server| server.line = StationLine::Serial { greets: true }));
    let first = talk.command_session();
    talk.ask(first, "INIT 1 GL 3 N 1 28 2");
    talk.ask(first, "SET 1 LOCK GL 3 60");
    talk.bench.station_gone(first);
    let second = talk.command_session();
    assert_eq!(talk.ask(second, "GET 1 LOCK GL 3"), "100 INFO 1 LOCK GL 3 0 0");
    talk.bench.apply(SimFault::StationDrop(None));
    talk.run(Duration::from_millis(1));
    assert!(talk.is_closed(second), "the cable was pulled");
}
