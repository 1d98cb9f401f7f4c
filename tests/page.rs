//! The page of a run in a real browser: every phase appears, a stop stops, a lost link is said, a restart is found again.
//!
//! Those need Chromium and, by the variable `AXE`, the path of the script of axe-core (an accessibility engine); the gate gets both.
//! The others speak to the page as a stranger on the network would. Pictures for the eye are left in the folder `page` of cargo's temporary folder.
#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::missing_assert_message,
    reason = "helpers of a test fail by panicking, as the tests do; figures are printed; the child is kept by a guard"
)]
use browser::Browser;
use program::{Running, object, simulate, until};
use serde_json::Value;
use std::fs;
use std::io::{ErrorKind, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};
use watched::{Watched, watched};

#[path = "played/browser.rs"]
mod browser;
#[path = "played/program.rs"]
mod program;
#[path = "played/watched.rs"]
mod watched;

fn axe() -> String {
    let path = std::env::var_os("AXE").expect("AXE names the script of axe-core");
    fs::read_to_string(path).unwrap()
}

fn pictures() -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("page");
    fs::create_dir_all(&folder).unwrap();
    folder
}

#[expect(clippy::disallowed_methods, reason = "a test that measures another process")]
fn now() -> Instant {
    Instant::now()
}

fn signal(running: &Running, name: &str) {
    let sent = Command::new("sh").arg("-c").arg(format!("kill -{name} {}", running.0.id())).status().unwrap();
    assert!(sent.success(), "{name}");
}

/// The folder of the only run.
fn run_folder(folder: &Path) -> PathBuf {
    until("the run's folder", || {
        let entries = fs::read_dir(folder.join("runs")).ok()?;
        entries.map(|entry| entry.unwrap().path()).find(|path| path.join("journal.jsonl").exists())
    })
}

/// Bodies of its journal's records of this kind.
fn records(run: &Path, kind: &str) -> Vec<Value> {
    let text = fs::read_to_string(run.join("journal.jsonl")).unwrap();
    let bodies = text.lines().filter_map(|line| {
        let json = line.get(line.find('{')?..)?;
        let whole: Value = serde_json::from_str(json).ok()?;
        find(&whole, kind).cloned()
    });
    bodies.collect()
}

fn find<'v>(value: &'v Value, key: &str) -> Option<&'v Value> {
    value.get(key).or_else(|| value.as_object()?.values().find_map(|inner| find(inner, key)))
}

/// From the person's stop to the station's word that it obeyed, in a run at the pace of time.
fn obeyed_after(run: &Path) -> Duration {
    let text = fs::read_to_string(run.join("journal.jsonl")).unwrap();
    let lines: Vec<Value> =
        text.lines().filter_map(|line| serde_json::from_str(line.get(line.find('{')?..)?).ok()).collect();
    let at = |record: &Value| find(record, "at").and_then(Value::as_u64).unwrap();
    let asked = lines.iter().position(|line| find(line, "person").is_some()).unwrap();
    let mut after = lines[asked..].iter();
    let ordered = after.find_map(|line| find(line, "ordered")).unwrap();
    let stops = ordered["action"] == "stop" || ordered["action"]["drive"]["setting"]["value"] == 0;
    assert!(stops, "{ordered}");
    let ended =
        after.find(|line| find(line, "order_ended").is_some_and(|end| end["order"] == ordered["order"]));
    Duration::from_nanos(at(ended.unwrap()) - at(&lines[asked]))
}

/// What each size and scheme must keep.
fn looked_at(browser: &mut Browser, axe: &str, name: &str) {
    for (width, height, touch) in [(360, 740, true), (1440, 900, false)] {
        browser.size(width, height, touch);
        for scheme in ["light", "dark"] {
            browser.scheme(scheme);
            let wide = browser.value("document.documentElement.scrollWidth").as_u64().unwrap();
            assert!(wide <= u64::from(width), "{name}: {wide} px at {width}");
            let faults = browser.faults(axe);
            assert!(faults.is_empty(), "{name}, {width} px, {scheme}: {faults:#?}");
            browser.picture(&pictures().join(format!("{name}-{width}-{scheme}.png")));
        }
    }
}

#[test]
#[ignore = "needs Chromium and axe-core; the gate runs it"]
fn each_phase_appears_and_the_page_can_be_read_by_everybody() {
    let axe = axe();
    let folder = tempfile::tempdir().unwrap();
    let words = ["demo", "--json", "--listen", "127.0.0.1:0", "--folder", ".", "--time-lapse", "30"];
    let Watched { mut running, control, view, .. } = watched(folder.path(), &words);
    let mut browser = Browser::start("de-DE");
    browser.open(&control);
    browser.until_true("document.getElementById('field').querySelectorAll('circle').length > 20");
    browser.until_true("document.getElementById('curves').querySelectorAll('.mark.a').length > 3");
    browser.until_true("document.getElementById('curves').querySelectorAll('.mark.b').length > 3");
    looked_at(&mut browser, &axe, "measuring");
    let mut other = Browser::start("en-US");
    other.open(&view);
    other.until_true("document.getElementById('link').innerText === 'Live.'");
    assert_eq!(
        other.value("document.querySelectorAll('button').length"),
        0,
        "an address for looking offers nothing else"
    );
    assert_eq!(other.complaints, Vec::<String>::new());
    assert!(browser.text("left").contains(" left"), "{}", browser.text("left"));
    assert_eq!(browser.value("document.getElementById('guards').rows.length"), 10);
    // Numbers as a reader in Germany writes them.
    browser.until_true("/^[0-9]+,[0-9]$/.test(document.getElementById('measured').innerText)");
    browser.until_true("/^[0-9]+,[0-9]$/.test(document.getElementById('wanted').innerText)");
    browser.until_true("!document.getElementById('end').hidden");
    // Afterwards the page looks for a program that is gone, and the browser notes each time that it found none.
    assert_eq!(browser.complaints, Vec::<String>::new(), "the console is quiet as long as the program lives");
    let log = browser.text("log");
    for phase in [
        "checking the links",
        "reading the decoder",
        "making the decoder's response linear",
        "warming up",
        "learning how the engine answers",
        "measuring",
        "computing the table",
        "writing the table",
        "verifying",
        "stopping",
    ] {
        assert!(log.contains(phase), "{phase} in {log}");
    }
    assert!(browser.text("end").contains("The engine was seen to stand."), "{}", browser.text("end"));
    assert!(browser.text("end").contains("calibrated"));
    looked_at(&mut browser, &axe, "ended");
    assert_eq!(running.exit_code(), 0, "an open page does not keep the program");
    assert_eq!(object(&mut running)["outcome"], "calibrated");
    let fitted = records(&run_folder(folder.path()), "fitted");
    let fit = &fitted.last().unwrap()["fit"];
    let shown: Vec<u64> = serde_json::from_value(
        browser.value("[...document.querySelectorAll('#table b')].map((b) => Number(b.textContent))"),
    )
    .unwrap();
    let table: Vec<u64> = serde_json::from_value(fit["table"].clone()).unwrap();
    assert_eq!(shown[..2], [fit["trim_forward"].as_u64().unwrap(), fit["trim_reverse"].as_u64().unwrap()]);
    assert_eq!(shown[2..], table);
    drop(browser);
    the_fleet_behind_it(folder.path(), &axe);
}

/// Another run with its page: behind it are the first run and its report.
fn the_fleet_behind_it(folder: &Path, axe: &str) {
    let words = ["demo", "--listen", "127.0.0.1:0", "--folder", ".", "--time-lapse", "30"];
    let Watched { running, view, .. } = watched(folder, &words);
    let mut browser = Browser::start("en-GB");
    browser.open(&view);
    browser.until_true("document.getElementById('link').innerText === 'Live.'");
    browser.open(&format!("{view}fleet"));
    let links = browser.value("[...document.querySelectorAll('tbody a')].map((a) => a.href)");
    let links: Vec<String> = serde_json::from_value(links).unwrap();
    assert_eq!(links.len(), 1, "the run that has ended");
    looked_at(&mut browser, axe, "runs");
    browser.open(&links[0]);
    assert!(browser.value("document.title").as_str().unwrap().contains("Lapwing"));
    assert!(browser.value("document.querySelectorAll('svg').length").as_u64().unwrap() >= 4);
    looked_at(&mut browser, axe, "report");
    browser.open(&format!("{view}fleet/report"));
    looked_at(&mut browser, axe, "fleet");
    assert_eq!(browser.complaints, Vec::<String>::new());
    drop(running);
}

/// A run-in at the pace of time, moving.
fn moving(folder: &Path) -> (Running, Watched) {
    let file = folder.join("bench.toml");
    let (simulation, _) = simulate("avocet", "1", &file);
    let words = ["run-in", "bench.toml", "--listen", "127.0.0.1:0"];
    (simulation, watched(folder, &words))
}

const SECONDS_SINCE: &str = "(performance.now() - window.asked) / 1000";

fn stopped_by(ask: impl Fn(&mut Browser), name: &str) {
    let folder = tempfile::tempdir().unwrap();
    let (_simulation, Watched { mut running, control, .. }) = moving(folder.path());
    let mut browser = Browser::start("en-GB");
    browser.size(360, 740, true);
    browser.open(&control);
    browser.until_true("parseFloat(document.getElementById('measured').innerText) > 20");
    browser.value(
        "document.getElementById('stop').addEventListener('click', () => { window.asked = performance.now(); }, true); \
         new MutationObserver(() => { window.taken ??= /has the stop/.test(document.getElementById('asked').innerText) \
         ? (performance.now() - window.asked) / 1000 : undefined; }).observe(document.getElementById('asked'), \
         { childList: true, characterData: true, subtree: true }); \
         new MutationObserver(() => { window.still ??= parseFloat(document.getElementById('measured').innerText) === 0 \
         ? (performance.now() - window.asked) / 1000 : undefined; }).observe(document.getElementById('measured'), \
         { childList: true, characterData: true, subtree: true }); 0",
    );
    ask(&mut browser);
    browser.until_true("!document.getElementById('end').hidden");
    let ended = browser.value(SECONDS_SINCE).as_f64().unwrap();
    let [taken, still] = ["taken", "still"].map(|word| browser.value(&format!("window.{word}")).as_f64());
    println!(
        "stop by {name}: taken after {taken:?} s, stands on the page after {still:?} s, confirmed after {ended:.2} s"
    );
    assert!(taken.expect("it was said to be taken") < 1.0);
    assert!(browser.text("end").contains("The engine was seen to stand."), "{}", browser.text("end"));
    assert_eq!(running.exit_code(), 5, "interrupted");
    let run = run_folder(folder.path());
    let persons: Vec<Value> = records(&run, "person");
    assert_eq!(persons, ["stop"], "one stop, however often it was sent");
    let obeyed = obeyed_after(&run);
    println!("the station had obeyed {:.3} s after the run heard of it", obeyed.as_secs_f64());
    assert!(obeyed < Duration::from_secs(1), "{obeyed:?}");
    browser.picture(&pictures().join(format!("stopped-by-{name}.png")));
}

#[test]
#[ignore = "needs Chromium; the gate runs it"]
fn a_stop_by_touch_stops_the_engine_and_is_confirmed() {
    stopped_by(|browser| browser.touch("stop"), "touch");
}

#[test]
#[ignore = "needs Chromium; the gate runs it"]
fn a_stop_by_key_stops_the_engine_and_is_confirmed() {
    let press = |browser: &mut Browser| {
        browser.value("document.body.focus(); 0");
        // The first is the way past the head, the second the stop.
        browser.key("Tab", 9);
        browser.key("Tab", 9);
        assert_eq!(browser.value("document.activeElement.id"), "stop");
        browser.key("Enter", 13);
    };
    stopped_by(press, "key");
}

#[test]
#[ignore = "needs Chromium; the gate runs it"]
fn a_program_that_is_not_heard_is_said_and_a_stop_asked_meanwhile_is_done_once() {
    let folder = tempfile::tempdir().unwrap();
    let (_simulation, Watched { mut running, control, .. }) = moving(folder.path());
    let mut browser = Browser::start("en-GB");
    browser.size(360, 740, true);
    browser.open(&control);
    browser.until_true("parseFloat(document.getElementById('measured').innerText) > 5");
    signal(&running, "STOP");
    let since = now();
    browser.touch("stop");
    browser.until_true("!document.getElementById('lost').hidden");
    assert!(since.elapsed() < Duration::from_secs(12), "{:?}", since.elapsed());
    assert!(browser.text("lost").contains("cut the power by hand"), "{}", browser.text("lost"));
    browser.until_true("/No answer yet/.test(document.getElementById('asked').innerText)");
    browser.picture(&pictures().join("not-heard.png"));
    signal(&running, "CONT");
    browser.until_true("!document.getElementById('end').hidden");
    browser.until_true("document.getElementById('lost').hidden");
    assert_ne!(running.exit_code(), 0);
    let persons = records(&run_folder(folder.path()), "person");
    assert!(persons.len() <= 1, "{persons:?}");
}

#[test]
#[ignore = "needs Chromium; the gate runs it"]
fn a_page_that_stays_open_finds_the_program_again_after_a_restart() {
    let folder = tempfile::tempdir().unwrap();
    let (_simulation, Watched { mut running, control, .. }) = moving(folder.path());
    let port = control.trim_start_matches("http://").split('/').next().unwrap().to_owned();
    let mut browser = Browser::start("en-GB");
    browser.size(1440, 900, false);
    browser.open(&control);
    browser.until_true("parseFloat(document.getElementById('measured').innerText) > 5");
    browser.value("window.same = true; 0");
    let run = run_folder(folder.path());
    running.0.kill().unwrap();
    running.0.wait().unwrap();
    browser.until_true("!document.getElementById('lost').hidden");
    // Its watchman stops the engine meanwhile.
    program::report(&run);
    let words = ["resume", run.to_str().unwrap(), "--listen", &port];
    let again = watched(folder.path(), &words);
    assert_eq!(again.control, control, "the address that is open on the telephone");
    browser.until_true("document.getElementById('lost').hidden");
    browser.until_true("parseFloat(document.getElementById('measured').innerText) > 5");
    assert_eq!(browser.value("window.same"), true, "nobody loaded it anew");
    browser.touch("pause");
    browser.until_true("/Paused by a person/.test(document.getElementById('held').innerText)");
    browser.picture(&pictures().join("paused.png"));
    browser.until_true("!document.getElementById('go-on').disabled");
    browser.touch("go-on");
    browser.until_true("document.getElementById('held').hidden");
    browser.touch("stop");
    browser.until_true("!document.getElementById('end').hidden");
}

/// A stranger's connection to a page.
struct Stranger {
    stream: TcpStream,
}

impl Stranger {
    fn to(address: SocketAddr) -> Self {
        let stream = TcpStream::connect(address).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
        Self { stream }
    }

    /// All that comes until the other side ends; what cannot be sent or read any more ends it too.
    fn ask(mut self, words: &[u8]) -> String {
        // The other side may have had enough before all was sent.
        let _ = self.stream.write_all(words);
        let mut answer = Vec::new();
        let _ = self.stream.read_to_end(&mut answer);
        String::from_utf8_lossy(&answer).into_owned()
    }
}

/// Host and port of an address, and its token.
fn parts(address: &str) -> (SocketAddr, String) {
    let (host, token) = address.trim_start_matches("http://").split_once('/').unwrap();
    (host.parse().unwrap(), token.trim_end_matches('/').to_owned())
}

fn get(at: SocketAddr, path: &str) -> String {
    let head = format!("GET {path} HTTP/1.1\r\nHost: {at}\r\nConnection: close\r\n\r\n");
    Stranger::to(at).ask(head.as_bytes())
}

fn post(at: SocketAddr, token: &str, origin: Option<&str>, body: &str) -> String {
    let origin = origin.map_or_else(String::new, |origin| format!("Origin: {origin}\r\n"));
    let long = body.len();
    let text = format!(
        "POST /{token}/ask HTTP/1.1\r\nHost: {at}\r\nConnection: close\r\n{origin}Content-Length: {long}\r\n\r\n{body}"
    );
    Stranger::to(at).ask(text.as_bytes())
}

fn status(answer: &str) -> &str {
    answer.split(' ').nth(1).unwrap_or("none")
}

/// Paths behind which there is nothing.
fn nowhere(control: &str, view: &str, wrong: &str) -> Vec<String> {
    vec![
        "/".to_owned(),
        "/page.js".to_owned(),
        format!("/{wrong}/"),
        format!("/{wrong}/live"),
        format!("/{wrong}/fleet"),
        format!("/{wrong}/fleet/report"),
        format!("/{wrong}/run/0"),
        format!("/{}/", &control[1..]),
        format!("//{control}/"),
        format!("/{view}/../{wrong}/"),
        format!("/{view}/page.js/../../../../etc/passwd"),
        format!("/{view}/run/..%2f..%2f..%2fbench.toml"),
        format!("/{view}/run/%2e%2e"),
        format!("/{view}/run/../../bench.toml"),
        format!("/{view}/run/nobody"),
        format!("/{view}/..%00/"),
        format!("/{view}/ask"),
    ]
}

#[test]
fn without_its_token_and_origin_nothing_is_shown_and_nothing_is_done() {
    let folder = tempfile::tempdir().unwrap();
    let words = ["demo", "--listen", "127.0.0.1:0", "--folder", ".", "--time-lapse", "10"];
    let Watched { mut running, control, view, .. } = watched(folder.path(), &words);
    let (at, control) = parts(&control);
    let (_, view) = parts(&view);
    let run = run_folder(folder.path());
    let own = format!("http://{at}");
    let own = Some(own.as_str());
    let wrong = "0".repeat(32);
    for path in nowhere(&control, &view, &wrong) {
        let answer = get(at, &path);
        assert_eq!(status(&answer), "404", "{path}: {answer}");
        assert!(!answer.contains("root:") && !answer.contains("[station]"), "{path}");
    }
    for token in [&control, &view] {
        for part in ["", "page.js", "page.css", "fleet"] {
            let answer = get(at, &format!("/{token}/{part}"));
            assert_eq!(status(&answer), "200", "{part}: {answer}");
            for head in [
                "content-security-policy: default-src 'none'",
                "cache-control: no-store",
                "x-content-type-options: nosniff",
            ] {
                assert!(answer.contains(head), "{part}: {head}");
            }
            assert!(!answer.to_lowercase().contains("set-cookie"));
        }
    }
    let began = now();
    let kept = format!("GET /{wrong}/ HTTP/1.1\r\nHost: {at}\r\n\r\n");
    assert_eq!(status(&Stranger::to(at).ask(kept.as_bytes())), "404");
    assert!(began.elapsed() < Duration::from_secs(3), "who has no business here does not keep a place");
    let stop = r#"{"id":"1","line":"pause"}"#;
    for (token, origin, body, expected) in [
        (&wrong, own, stop, "404"),
        (&view, own, stop, "403"),
        (&control, None, stop, "403"),
        (&control, Some("null"), stop, "403"),
        (&control, Some("http://example.org"), stop, "403"),
        (&control, own, "pause", "400"),
        (&control, own, "", "400"),
        (&control, own, r#"{"id":"1"}"#, "400"),
        (&control, own, r#"{"id":"1","line":"pause","more":1}"#, "400"),
        (&control, own, r#"{"id":"1","line":"halt"}"#, "409"),
        (&control, own, r#"{"id":"1","line":"answer done"}"#, "409"),
        (&control, own, &format!(r#"{{"id":"1","line":"{}"}}"#, "x".repeat(2000)), "413"),
    ] {
        let answer = post(at, token, origin, body);
        assert_eq!(status(&answer), expected, "{origin:?} {body}: {answer}");
    }
    assert_eq!(records(&run, "person"), Vec::<Value>::new(), "none of it reached the run");
    let answer = post(at, &control, own, r#"{"id":"2","line":"stop"}"#);
    assert_eq!(status(&answer), "200", "{answer}");
    assert_eq!(running.exit_code(), 5);
    assert_eq!(records(&run, "person"), ["stop"]);
}

#[test]
fn huge_and_slow_requests_are_cut_off() {
    let folder = tempfile::tempdir().unwrap();
    let words = ["demo", "--listen", "127.0.0.1:0", "--folder", ".", "--time-lapse", "10"];
    let Watched { running, control, .. } = watched(folder.path(), &words);
    let (at, control) = parts(&control);
    let huge = format!("GET /{control}/ HTTP/1.1\r\nHost: {at}\r\nX: {}\r\n\r\n", "x".repeat(1 << 20));
    let answer = Stranger::to(at).ask(huge.as_bytes());
    assert!(matches!(status(&answer), "431" | "none"), "{}", answer.get(..80).unwrap_or(&answer));
    let many = format!("GET /{control}/ HTTP/1.1\r\nHost: {at}\r\n{}\r\n", "X: y\r\n".repeat(1000));
    assert!(matches!(status(&Stranger::to(at).ask(many.as_bytes())), "431" | "none"));
    let declared = format!(
        "POST /{control}/ask HTTP/1.1\r\nHost: {at}\r\nOrigin: http://{at}\r\nContent-Length: 4000000000\r\n\r\n"
    );
    // Each is left alone in the middle of what it says; the last says nothing at all.
    let slow = [declared.as_str(), "GET / HT", "GET / HTTP/1.1\r\nHost: a\r\n", ""].map(|words| {
        let words = words.to_owned();
        std::thread::spawn(move || {
            let began = now();
            let answer = Stranger::to(at).ask(words.as_bytes());
            (began.elapsed(), answer)
        })
    });
    for visitor in slow {
        let (took, answer) = visitor.join().unwrap();
        assert!(took < Duration::from_secs(25), "{took:?}");
        assert!(matches!(status(&answer), "none" | "408" | "413"), "{answer}");
    }
    assert_eq!(status(&get(at, &format!("/{control}/"))), "200", "the next visitor is served");
    drop(running);
}

/// Opens the stream of a page and reads nothing of it beyond the head.
fn reader(at: SocketAddr, token: &str) -> TcpStream {
    let mut stream = TcpStream::connect(at).unwrap();
    write!(stream, "GET /{token}/live HTTP/1.1\r\nHost: {at}\r\n\r\n").unwrap();
    stream
}

#[test]
fn a_hundred_readers_half_of_them_stuck_hold_up_neither_the_run_nor_its_end() {
    let folder = tempfile::tempdir().unwrap();
    let words = ["demo", "--json", "--listen", "127.0.0.1:0", "--folder", ".", "--time-lapse", "30"];
    let Watched { mut running, view, told, .. } = watched(folder.path(), &words);
    let (at, view) = parts(&view);
    let stuck: Vec<TcpStream> = (0..50).map(|_| reader(at, &view)).collect();
    let reading: Vec<_> = (0..50)
        .map(|_| {
            let mut stream = reader(at, &view);
            stream.set_read_timeout(Some(Duration::from_secs(90))).unwrap();
            std::thread::spawn(move || {
                let (mut text, mut piece) = (Vec::new(), [0; 8192]);
                loop {
                    match stream.read(&mut piece) {
                        Ok(0) => return String::from_utf8_lossy(&text).into_owned(),
                        Ok(got) => text.extend(&piece[..got]),
                        Err(error) if error.kind() == ErrorKind::Interrupted => {}
                        // The program has ended and the connection with it.
                        Err(_) => return String::from_utf8_lossy(&text).into_owned(),
                    }
                }
            })
        })
        .collect();
    assert_eq!(running.exit_code(), 0, "{}", told.lock().unwrap());
    assert_eq!(object(&mut running)["outcome"], "calibrated");
    let mut frames = Vec::new();
    for reader in reading {
        let text = reader.join().unwrap();
        assert!(text.contains("event: over"), "each was told the end");
        assert!(text.contains("\"grade\":\"still\""), "and how it ended");
        frames.push(text.matches("event: frame").count());
    }
    frames.sort_unstable();
    println!("frames read by 50 readers: {} to {}", frames[0], frames[49]);
    // About 40 s of wall time: four a second at most.
    assert!(frames[0] > 20 && frames[49] < 400, "{frames:?}");
    drop(stuck);
}
