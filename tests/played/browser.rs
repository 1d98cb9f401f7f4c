//! A headless Chromium, led by its own debugging protocol over a local socket; its console is kept.
use super::program::{Running, until};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, ErrorKind};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;
use tungstenite::{Error, Message, WebSocket};

/// A browser with one page.
pub(crate) struct Browser {
    _process: Running,
    _profile: tempfile::TempDir,
    socket: WebSocket<TcpStream>,
    session: Option<String>,
    number: u64,
    /// Whatever the console called an error or a warning.
    pub(crate) complaints: Vec<String>,
}

impl Browser {
    /// Starts it. Numbers are written as this language does.
    pub(crate) fn start(language: &str) -> Self {
        let profile = tempfile::tempdir().unwrap();
        let mut process = Command::new("chromium")
            .args([
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
                "--disable-dev-shm-usage",
                "--remote-debugging-port=0",
                "--no-first-run",
            ])
            .arg(format!("--lang={language}"))
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .arg("about:blank")
            .env("LANGUAGE", language)
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("Chromium is installed: the tests of the page look at it");
        let mut lines = BufReader::new(process.stderr.take().unwrap()).lines();
        let process = Running(process);
        let address = lines
            .by_ref()
            .map_while(Result::ok)
            .find_map(|line| line.split_once("ws://").map(|(_, rest)| format!("ws://{rest}")))
            .expect("it tells where it listens");
        // Its other words must go somewhere.
        std::thread::spawn(move || lines.map_while(Result::ok).for_each(drop));
        let host = address.trim_start_matches("ws://").split('/').next().unwrap();
        let stream = TcpStream::connect(host).unwrap();
        let (socket, _) = tungstenite::client(address.as_str(), stream).unwrap();
        socket.get_ref().set_read_timeout(Some(Duration::from_millis(50))).unwrap();
        let mut browser = Self {
            _process: process,
            _profile: profile,
            socket,
            session: None,
            number: 0,
            complaints: Vec::new(),
        };
        let target =
            browser.order("Target.createTarget", &json!({ "url": "about:blank" }))["targetId"].clone();
        let attached =
            browser.order("Target.attachToTarget", &json!({ "targetId": target, "flatten": true }));
        browser.session = attached["sessionId"].as_str().map(str::to_owned);
        for domain in ["Page", "Runtime", "Log"] {
            browser.order(&format!("{domain}.enable"), &json!({}));
        }
        browser.order("Emulation.setLocaleOverride", &json!({ "locale": language }));
        browser
    }

    /// Gives an order and waits for its result.
    pub(crate) fn order(&mut self, method: &str, params: &Value) -> Value {
        self.number += 1;
        let number = self.number;
        let mut order = json!({ "id": number, "method": method, "params": params });
        if let Some(session) = &self.session {
            order["sessionId"] = session.clone().into();
        }
        self.socket.send(Message::text(order.to_string())).unwrap();
        until(method, || {
            let told = self.hear()?;
            (told["id"] == number).then(|| {
                assert!(told["error"].is_null(), "{method}: {}", told["error"]);
                told["result"].clone()
            })
        })
    }

    /// The next thing that it tells; none where it tells nothing now.
    fn hear(&mut self) -> Option<Value> {
        let text = match self.socket.read() {
            Ok(Message::Text(text)) => text,
            Ok(_) => return None,
            Err(Error::Io(error)) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {
                return None;
            }
            Err(error) => panic!("{error}"),
        };
        let told: Value = serde_json::from_str(&text).unwrap();
        let params = &told["params"];
        let bad = match told["method"].as_str() {
            Some("Runtime.exceptionThrown") => true,
            Some("Runtime.consoleAPICalled") => {
                matches!(params["type"].as_str(), Some("error" | "warning" | "assert"))
            }
            Some("Log.entryAdded") => matches!(params["entry"]["level"].as_str(), Some("error" | "warning")),
            _ => false,
        };
        if bad {
            self.complaints.push(params.to_string());
        }
        Some(told)
    }

    /// Opens a page.
    pub(crate) fn open(&mut self, address: &str) {
        self.order("Page.navigate", &json!({ "url": address }));
        self.until_true("document.readyState === 'complete'");
    }

    /// The window's size; `touch`: as a telephone.
    pub(crate) fn size(&mut self, width: u32, height: u32, touch: bool) {
        let screen = json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": touch });
        self.order("Emulation.setDeviceMetricsOverride", &screen);
        self.order("Emulation.setTouchEmulationEnabled", &json!({ "enabled": touch }));
    }

    /// Dark or light.
    pub(crate) fn scheme(&mut self, scheme: &str) {
        let features = json!({ "features": [{ "name": "prefers-color-scheme", "value": scheme }] });
        self.order("Emulation.setEmulatedMedia", &features);
    }

    /// The value of this expression in the page; promises are waited for.
    pub(crate) fn value(&mut self, expression: &str) -> Value {
        let asked = json!({ "expression": expression, "returnByValue": true, "awaitPromise": true });
        let result = self.order("Runtime.evaluate", &asked);
        assert!(result["exceptionDetails"].is_null(), "{expression}: {}", result["exceptionDetails"]);
        result["result"]["value"].clone()
    }

    /// The text of the element with this id.
    pub(crate) fn text(&mut self, id: &str) -> String {
        self.value(&format!("document.getElementById('{id}').innerText")).as_str().unwrap().to_owned()
    }

    /// Waits until this is true in the page.
    pub(crate) fn until_true(&mut self, expression: &str) {
        until(expression, || (self.value(expression) == true).then_some(()));
    }

    /// Presses a key.
    pub(crate) fn key(&mut self, key: &str, code: u32) {
        let text = if key == "Enter" { "\r" } else { "" };
        for kind in ["keyDown", "keyUp"] {
            let mut pressed = json!({ "type": kind, "key": key, "code": key, "windowsVirtualKeyCode": code });
            if kind == "keyDown" {
                pressed["text"] = text.into();
            }
            self.order("Input.dispatchKeyEvent", &pressed);
        }
    }

    /// Touches the middle of the element with this id.
    pub(crate) fn touch(&mut self, id: &str) {
        let place = self.value(&format!(
            "(() => {{ const e = document.getElementById('{id}'); e.scrollIntoView({{ block: 'center' }}); \
             const r = e.getBoundingClientRect(); return {{ x: r.x + r.width / 2, y: r.y + r.height / 2 }}; }})()"
        ));
        self.order("Input.dispatchTouchEvent", &json!({ "type": "touchStart", "touchPoints": [place] }));
        self.order("Input.dispatchTouchEvent", &json!({ "type": "touchEnd", "touchPoints": [] }));
    }

    /// A picture of the whole page, for people who look at it.
    pub(crate) fn picture(&mut self, path: &Path) {
        let shot = self.order("Page.captureScreenshot", &json!({ "captureBeyondViewport": true }));
        std::fs::write(path, decoded(shot["data"].as_str().unwrap())).unwrap();
    }

    /// What the accessibility engine finds wrong with the page as it is, a line each. `engine`: its script.
    pub(crate) fn faults(&mut self, engine: &str) -> Vec<String> {
        if self.value("typeof axe") != "object" {
            self.value(&format!("{engine}; 0"));
        }
        let found = self.value(
            "axe.run(document, { resultTypes: ['violations'] }).then((r) => r.violations.map((v) => \
             `${v.id} (${v.impact}): ${v.nodes.map((n) => n.html.slice(0, 160)).join(' | ')}`))",
        );
        serde_json::from_value(found).unwrap()
    }
}

/// Base64 (RFC 4648) as the browser sends pictures.
fn decoded(text: &str) -> Vec<u8> {
    let value = |sign: u8| -> Option<u32> {
        b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
            .iter()
            .position(|known| *known == sign)
            .and_then(|place| u32::try_from(place).ok())
    };
    let mut bytes = Vec::with_capacity(text.len() / 4 * 3);
    let (mut bits, mut held) = (0, 0_u32);
    for part in text.bytes().filter_map(value) {
        held = (held << 6 | part) & 0xff_ffff;
        bits += 6;
        if bits >= 8 {
            bits -= 8;
            bytes.push(u8::try_from(held >> bits & 0xff).unwrap());
        }
    }
    bytes
}
