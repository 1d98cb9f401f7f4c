//! A run with its page, in a process of its own.
use super::program::{Running, pacewright};
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex};

/// A run that is watched.
pub(crate) struct Watched {
    pub(crate) running: Running,
    /// Address of the page for acting, with its slash.
    pub(crate) control: String,
    /// Address of the page for looking.
    pub(crate) view: String,
    /// What was told on stderr so far.
    pub(crate) told: Arc<Mutex<String>>,
}

/// Starts the program with these words and its state in `folder`, and waits for the addresses of its page.
pub(crate) fn watched(folder: &Path, words: &[&str]) -> Watched {
    let mut command: Command = pacewright(folder);
    command.args(words).current_dir(folder).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut running = Running(command.spawn().unwrap());
    let mut lines = BufReader::new(running.0.stderr.take().unwrap()).lines().map_while(Result::ok);
    let told = Arc::new(Mutex::new(String::new()));
    let keep = |told: &Mutex<String>, line: &str| told.lock().unwrap().extend([line, "\n"]);
    let mut addresses = Vec::new();
    while addresses.len() < 2 {
        let line = lines.next().unwrap_or_else(|| panic!("no page: {}", told.lock().unwrap()));
        keep(&told, &line);
        if let Some(address) = line.trim().strip_prefix("http://") {
            addresses.push(format!("http://{address}"));
        }
    }
    let kept = Arc::clone(&told);
    std::thread::spawn(move || lines.for_each(|line| keep(&kept, &line)));
    let view = addresses.pop().unwrap();
    Watched { running, control: addresses.pop().unwrap(), view, told }
}
