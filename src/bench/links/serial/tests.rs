//! Serial ports played by pseudo-terminals that are reached through a name in a folder of the test, as an adapter is through
//! its name by-id: pulling the plug ends the pseudo-terminal, plugging it in again points the name to a new one.
use super::*;
use crate::bench::clock::pause;
use crate::bench::links::{Happening, SensorLink, SensorNews, StationLinks};
use crate::cause::link::SERIAL_UNPLUGGED;
use crate::cause::sensor::UNREACHABLE;
use crate::cause::{Cause, heard};
use crate::config::LinkSpec;
use crate::station::Session;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::sync::Mutex;

/// No wait in these tests is longer.
const SOON: Duration = Duration::from_secs(5);

/// A port by its name, and both ends of the pseudo-terminal that plays it. The test keeps the near end open too, so that
/// the far end can be used before anybody has opened the port; only pulling the plug ends it.
struct Port {
    _folder: tempfile::TempDir,
    name: PathBuf,
    ends: Option<(SerialStream, SerialStream)>,
}

impl Port {
    fn plugged() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("harbour-probe");
        let mut port = Self { _folder: folder, name, ends: None };
        port.plug();
        port
    }

    fn plug(&mut self) {
        let (far, near) = SerialStream::pair().unwrap();
        let _ = std::fs::remove_file(&self.name);
        std::os::unix::fs::symlink(near.name().unwrap(), &self.name).unwrap();
        self.ends = Some((far, near));
    }

    fn unplug(&mut self) {
        self.ends = None;
    }

    fn far(&mut self) -> &mut SerialStream {
        &mut self.ends.as_mut().unwrap().0
    }

    async fn hear(&mut self, bytes: usize) -> Vec<u8> {
        let mut heard = vec![0; bytes];
        within(self.far().read_exact(&mut heard)).await.unwrap();
        heard
    }

    async fn say(&mut self, bytes: &[u8]) {
        within(self.far().write_all(bytes)).await.unwrap();
    }

    fn device(&self) -> String {
        self.name.display().to_string()
    }

    fn link(&self) -> LinkSpec {
        LinkSpec::Serial { device: self.device(), baud: 115_200 }
    }
}

async fn within<T>(work: impl Future<Output = T>) -> T {
    tokio::select! { done = work => done, () = pause(SOON) => panic!("it took too long") }
}

async fn next(links: &mut StationLinks) -> (Session, Happening) {
    within(links.next()).await.unwrap()
}

async fn opened(device: &str) -> Result<SerialLink, String> {
    let turn = Arc::new(Mutex::new(())).lock_owned().await;
    open(device, 115_200, turn, std::pin::pin!(pause(SOON))).await
}

/// Why it cannot be opened: the cause and the evidence.
async fn refused(device: &str) -> (&'static Cause, String) {
    let Err(text) = opened(device).await else { panic!("{device} opened") };
    let (cause, evidence) = heard(&text, &UNREACHABLE);
    assert!(evidence.contains(device), "the port is named: {text}");
    (cause, evidence.to_owned())
}

#[tokio::test]
async fn bytes_go_both_ways_the_unplugged_port_is_told_and_plugged_again_it_opens() {
    let mut port = Port::plugged();
    let mut links = StationLinks::new(&port.link(), SOON);
    // Every byte value: nothing on the way may take one for a command to the terminal.
    let all: Vec<u8> = (0..=255).collect();
    for _ in 0..2 {
        links.open(Session::Drive);
        links.send(Session::Drive, all.clone());
        assert_eq!(next(&mut links).await, (Session::Drive, Happening::Opened));
        assert_eq!(port.hear(256).await, all);
        port.say(&all).await;
        let mut back = Vec::new();
        while back.len() < all.len() {
            let (Session::Drive, Happening::Bytes(bytes)) = next(&mut links).await else {
                panic!("no bytes")
            };
            back.extend(bytes);
        }
        assert_eq!(back, all);
        port.unplug();
        let (Session::Drive, Happening::Closed(why)) = next(&mut links).await else { panic!("not closed") };
        assert_eq!(heard(&why, &UNREACHABLE).0, &SERIAL_UNPLUGGED, "{why}");
        links.open(Session::Drive);
        let (Session::Drive, Happening::Closed(why)) = next(&mut links).await else { panic!("not closed") };
        assert_eq!(heard(&why, &UNREACHABLE).0, &SERIAL_MISSING, "{why}");
        port.plug();
    }
}

#[tokio::test]
async fn a_sensor_that_is_unplugged_is_told_and_opens_again() {
    let mut port = Port::plugged();
    let mut sensor = SensorLink::new(&port.link(), SOON);
    for _ in 0..2 {
        sensor.open();
        assert_eq!(within(sensor.next()).await, SensorNews::Link(Happening::Opened));
        port.say(b"t_us,bx,by\n").await;
        let mut all = Vec::new();
        while all.len() < 11 {
            let SensorNews::Link(Happening::Bytes(bytes)) = within(sensor.next()).await else {
                panic!("no bytes")
            };
            all.extend(bytes);
        }
        assert_eq!(all, b"t_us,bx,by\n");
        port.unplug();
        let SensorNews::Link(Happening::Closed(why)) = within(sensor.next()).await else {
            panic!("not closed")
        };
        assert_eq!(heard(&why, &UNREACHABLE).0, &SERIAL_UNPLUGGED, "{why}");
        port.plug();
    }
}

#[tokio::test]
async fn opened_again_and_again_without_a_pause_it_never_meets_itself() {
    let mut port = Port::plugged();
    let mut links = StationLinks::new(&port.link(), SOON);
    for n in 0..20_u8 {
        links.open(Session::Drive);
        links.send(Session::Drive, vec![n]);
    }
    assert_eq!(next(&mut links).await, (Session::Drive, Happening::Opened), "the last one");
    while port.hear(1).await != [19] {}
    let mut sensor = SensorLink::new(&port.link(), SOON);
    links.finish(SOON).await;
    for _ in 0..20 {
        sensor.open();
    }
    assert_eq!(within(sensor.next()).await, SensorNews::Link(Happening::Opened));
}

#[tokio::test]
async fn one_session_at_a_time_has_the_port_and_who_is_opened_first_comes_first() {
    let port = Port::plugged();
    let mut links = StationLinks::new(&port.link(), Duration::from_millis(400));
    links.open(Session::Drive);
    links.open(Session::Information);
    assert_eq!(next(&mut links).await, (Session::Drive, Happening::Opened));
    let (Session::Information, Happening::Closed(why)) = next(&mut links).await else { panic!("it opened") };
    assert_eq!(heard(&why, &UNREACHABLE).0, &SERIAL_IN_USE, "{why}");
    let mut fresh = StationLinks::new(&port.link(), SOON);
    links.make_way(SOON).await;
    fresh.open(Session::Rescue);
    assert_eq!(next(&mut fresh).await, (Session::Rescue, Happening::Opened), "the way was made");
}

#[tokio::test]
async fn a_port_that_is_not_there_is_told_with_the_name_most_like_it() {
    let mut port = Port::plugged();
    let slip = port.device().replace("harbour-probe", "harbour-prope");
    let (cause, evidence) = refused(&slip).await;
    assert_eq!(cause, &SERIAL_MISSING);
    assert!(evidence.contains(&format!("most like it is {}", port.device())), "{evidence}");
    port.unplug();
    let (cause, evidence) = refused(&port.device()).await;
    assert_eq!(cause, &SERIAL_MISSING, "a name left without its device: {evidence}");
    let (cause, evidence) = refused("/dev/no-such-folder/ttyUSB0").await;
    assert_eq!(cause, &SERIAL_MISSING, "{evidence}");
}

#[tokio::test]
async fn what_is_no_serial_port_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("bench.toml");
    std::fs::write(&file, "schema = 1").unwrap();
    for (device, what) in [
        (file.display().to_string(), "it is a file"),
        (folder.path().display().to_string(), "it is a folder"),
        ("/dev/null".to_owned(), "no serial port"),
    ] {
        let (cause, evidence) = refused(&device).await;
        assert_eq!(cause, &NOT_SERIAL);
        assert!(evidence.contains(what), "{evidence}");
    }
    assert_eq!(std::fs::read(&file).unwrap(), b"schema = 1", "nothing is written to it");
}

/// The superuser is never refused, so the answer of the system is made here.
#[test]
fn a_port_that_belongs_to_others_is_told_with_its_group() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let about = file.as_file().metadata().unwrap();
    let no = io::Error::from_raw_os_error(libc::EACCES);
    let text = unopened(Path::new("/dev/ttyUSB0"), &no, Some(&about));
    let (cause, evidence) = heard(&text, &UNREACHABLE);
    assert_eq!(cause, &SERIAL_FORBIDDEN);
    assert!(evidence.starts_with("/dev/ttyUSB0: ") && evidence.contains("group"), "{evidence}");
    let text = unopened(Path::new("/dev/ttyUSB0"), &no, None);
    assert!(text.contains("a folder on the way"), "{text}");
    let busy = unopened(Path::new("/dev/ttyUSB0"), &io::Error::from_raw_os_error(libc::EBUSY), Some(&about));
    assert_eq!(heard(&busy, &UNREACHABLE).0, &SERIAL_IN_USE);
    let gone = unopened(Path::new("/dev/ttyUSB0"), &io::Error::from_raw_os_error(libc::ENXIO), Some(&about));
    assert_eq!(heard(&gone, &UNREACHABLE).0, &SERIAL_MISSING);
}

#[tokio::test]
async fn two_openers_in_one_process_never_share_a_port() {
    let port = Port::plugged();
    let first = opened(&port.device()).await.unwrap();
    // By another name too, and as often as one likes.
    let real = port.name.canonicalize().unwrap().display().to_string();
    for device in [port.device(), real, port.device()] {
        let (cause, evidence) = refused(&device).await;
        assert_eq!(cause, &SERIAL_IN_USE, "{evidence}");
    }
    drop(first);
    within(async { while opened(&port.device()).await.is_err() {} }).await;
}

/// A child that does not outlive the test.
struct Holder(Child);

impl Drop for Holder {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Another program that holds the port: one that takes the lock, and one that only has it open. Both keep the superuser out.
#[tokio::test]
async fn a_port_that_another_program_holds_is_told_with_that_program() {
    let port = Port::plugged();
    let real = port.name.canonicalize().unwrap().display().to_string();
    for script in
        ["exec 3<>\"$0\"; flock -x 3; echo held; exec sleep 30", "exec 3<>\"$0\"; echo held; exec sleep 30"]
    {
        let mut child =
            Command::new("sh").args(["-c", script, &real]).stdout(Stdio::piped()).spawn().unwrap();
        let mut said = child.stdout.take().unwrap();
        let holder = Holder(child);
        let mut word = [0; 5];
        io::Read::read_exact(&mut said, &mut word).unwrap();
        assert_eq!(&word, b"held\n");
        let (cause, evidence) = refused(&port.device()).await;
        assert_eq!(cause, &SERIAL_IN_USE);
        assert!(evidence.contains(&format!("by process {} (", holder.0.id())), "{evidence}");
        drop(holder);
        within(async { while opened(&port.device()).await.is_err() {} }).await;
    }
}

#[test]
fn a_rate_beside_the_wanted_one_is_seen() {
    for (actual, wanted) in [(115_200, 115_200), (115_108, 115_200), (57_142, 57_600), (9_615, 9_600)] {
        assert!(fits(actual, wanted), "{actual} for {wanted}");
    }
    for (actual, wanted) in [(38_400, 115_200), (125_000, 115_200), (9_600, 250_000), (0, 9_600)] {
        assert!(!fits(actual, wanted), "{actual} for {wanted}");
    }
}
