//! Links against listeners of the test, on loopback.
use super::*;
use tokio::net::TcpListener;

const SOON: Duration = Duration::from_secs(5);

#[test]
fn a_full_buffer_drops_the_oldest_and_says_so_first() {
    let mut waiting = SensorWaiting::default();
    waiting.push(Happening::Opened);
    let pieces = SENSOR_BUFFER / CHUNK + 3;
    for n in 0..pieces {
        waiting.push(Happening::Bytes(vec![u8::try_from(n % 251).unwrap(); CHUNK]));
    }
    let Some(SensorNews::Dropped(dropped)) = waiting.pop() else { panic!("nothing was dropped") };
    assert_eq!(dropped % CHUNK as u64, 0);
    assert_eq!(waiting.pop(), Some(SensorNews::Link(Happening::Opened)), "the opening is never dropped");
    let mut kept = 0;
    while let Some(SensorNews::Link(Happening::Bytes(bytes))) = waiting.pop() {
        kept += bytes.len() as u64;
    }
    assert_eq!(kept + dropped, (pieces * CHUNK) as u64);
    assert!(kept <= SENSOR_BUFFER as u64);
    assert_eq!(waiting.bytes, 0);
}

#[test]
fn small_reads_become_one_piece() {
    let mut waiting = SensorWaiting::default();
    waiting.push(Happening::Bytes(b"12,".to_vec()));
    waiting.push(Happening::Bytes(b"34\n".to_vec()));
    assert_eq!(waiting.pop(), Some(SensorNews::Link(Happening::Bytes(b"12,34\n".to_vec()))));
    assert_eq!(waiting.pop(), None);
}

#[tokio::test]
async fn a_session_opens_carries_both_ways_and_ends() {
    let server = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let mut links = StationLinks::new(&LinkSpec::tcp(&server.local_addr().unwrap().to_string()), SOON);
    links.open(Session::Drive);
    links.send(Session::Drive, b"hello\n".to_vec());
    let (mut peer, _) = server.accept().await.unwrap();
    assert_eq!(links.next().await, Ok((Session::Drive, Happening::Opened)));
    let mut heard = [0; 6];
    peer.read_exact(&mut heard).await.unwrap();
    assert_eq!(&heard, b"hello\n");
    peer.write_all(b"there\n").await.unwrap();
    assert_eq!(links.next().await, Ok((Session::Drive, Happening::Bytes(b"there\n".to_vec()))));
    drop(peer);
    let closed = Happening::Closed("closed by the station".to_owned());
    assert_eq!(links.next().await, Ok((Session::Drive, closed)));
}

#[tokio::test]
async fn closing_still_sends_what_was_ordered_and_nothing_more_is_heard() {
    let server = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let mut links = StationLinks::new(&LinkSpec::tcp(&server.local_addr().unwrap().to_string()), SOON);
    links.open(Session::Rescue);
    links.send(Session::Rescue, b"stop\n".to_vec());
    links.close(Session::Rescue);
    let (mut peer, _) = server.accept().await.unwrap();
    let mut heard = Vec::new();
    peer.read_to_end(&mut heard).await.unwrap();
    assert_eq!(heard, b"stop\n");
    links.open(Session::Drive);
    assert_eq!(links.next().await, Ok((Session::Drive, Happening::Opened)));
}

#[tokio::test]
async fn nobody_listening_is_told_with_the_address() {
    let free = TcpListener::bind("127.0.0.1:0").await.unwrap().local_addr().unwrap().to_string();
    let mut links = StationLinks::new(&LinkSpec::tcp(&free), SOON);
    links.open(Session::Drive);
    let Ok((Session::Drive, Happening::Closed(why))) = links.next().await else { panic!("it opened") };
    assert!(why.contains(&free), "{why}");
    let mut sensor = SensorLink::new(&LinkSpec::tcp(&free), SOON);
    sensor.open();
    let SensorNews::Link(Happening::Closed(why)) = sensor.next().await else { panic!("it opened") };
    assert!(why.contains(&free), "{why}");
}

#[tokio::test]
async fn what_is_wrong_with_an_address_comes_with_its_cause() {
    let free = TcpListener::bind("127.0.0.1:0").await.unwrap().local_addr().unwrap();
    // By RFC 2606 and RFC 6761 nobody ever has a name that ends in .invalid.
    for (address, code) in [
        (format!("localhost:{}", free.port()), "connection-refused"),
        ("station.invalid:4303".to_owned(), "address-name-unknown"),
    ] {
        let mut links = StationLinks::new(&LinkSpec::tcp(&address), SOON);
        links.open(Session::Drive);
        let Ok((Session::Drive, Happening::Closed(why))) = links.next().await else { panic!("it opened") };
        assert!(why.starts_with(&format!("{code}: {address}")), "{why}");
        if code == "connection-refused" {
            assert!(why.contains("(which is ") && why.contains("127.0.0.1"), "{why}");
        }
    }
}

/// A listener whose queue is full answers no further connection, as a device that is gone from the network does.
#[tokio::test]
async fn an_address_that_does_not_answer_is_told_within_the_limit() {
    let socket = tokio::net::TcpSocket::new_v4().unwrap();
    socket.bind("127.0.0.1:0".parse().unwrap()).unwrap();
    let full = socket.listen(1).unwrap();
    let link = LinkSpec::tcp(&full.local_addr().unwrap().to_string());
    let limit = Duration::from_millis(300);
    let mut links: Vec<StationLinks> = (0..8).map(|_| StationLinks::new(&link, limit)).collect();
    let mut late = 0;
    for links in &mut links {
        links.open(Session::Drive);
        if let Ok((_, Happening::Closed(why))) = links.next().await {
            assert!(why.starts_with("address-not-reached: 127.0.0.1:"), "{why}");
            assert!(why.ends_with("no answer within 0.3 s"), "{why}");
            late += 1;
        }
    }
    assert!(late > 0, "the queue took them all");
}

#[tokio::test]
async fn sensor_bytes_arrive_in_order_and_the_end_is_told() {
    let server = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let mut sensor = SensorLink::new(&LinkSpec::tcp(&server.local_addr().unwrap().to_string()), SOON);
    sensor.open();
    let (mut peer, _) = server.accept().await.unwrap();
    assert_eq!(sensor.next().await, SensorNews::Link(Happening::Opened));
    peer.write_all(b"t_us,bx,by\n").await.unwrap();
    drop(peer);
    let mut all = Vec::new();
    let why = loop {
        match sensor.next().await {
            SensorNews::Link(Happening::Bytes(bytes)) => all.extend(bytes),
            SensorNews::Link(Happening::Closed(why)) => break why,
            other => panic!("{other:?}"),
        }
    };
    assert_eq!(all, b"t_us,bx,by\n");
    assert_eq!(why, "closed by the sensor");
}
