//! Names that others read: the beginning of a topic, the whole path of a file.
use super::Text;
use crate::cause::bench_file as cause;
use crate::config::key::{Fault, Kind, Node};
use serde_json::{Value, json};

/// The longest beginning of a topic, in bytes (own choice; MQTT 3.1.1, 1.5.3 allows 65,535 for a whole topic).
const LONGEST_TOPIC: usize = 200;

/// What topics begin with (MQTT 3.1.1, 4.7): levels between slashes, without wildcards.
#[derive(Debug)]
pub(in crate::config) struct Topic;

impl Kind for Topic {
    type Value = String;
    fn expected(&self) -> String {
        "words between slashes, as \"harbour/bench-1\"".into()
    }
    fn read(&self, value: &Node<'_>) -> Result<String, Vec<Fault>> {
        let topic = Text.read(value)?;
        let hint = if topic.contains(['+', '#']) {
            "+ and # stand for many topics; name one"
        } else if topic.starts_with('$') {
            "what begins with $ belongs to the broker"
        } else if topic.split('/').any(str::is_empty) {
            "no slash at the begin or the end, and none beside another"
        } else if topic.len() > LONGEST_TOPIC {
            "write a shorter one"
        } else {
            return Ok(topic);
        };
        Err(vec![Fault::new(&cause::WRONG_FORM, hint)])
    }
    fn schema(&self) -> Value {
        json!({ "type": "string", "pattern": "^[^$/+#][^/+#]*(/[^/+#]+)*$", "maxLength": LONGEST_TOPIC })
    }
}

/// A file by its whole path: the same wherever the program is started.
#[derive(Debug)]
pub(in crate::config) struct WholePath;

impl Kind for WholePath {
    type Value = String;
    fn expected(&self) -> String {
        "the whole path of a file".into()
    }
    fn read(&self, value: &Node<'_>) -> Result<String, Vec<Fault>> {
        let path = Text.read(value)?;
        if path.starts_with('/') && !path.ends_with('/') {
            return Ok(path);
        }
        Err(vec![Fault::new(&cause::WRONG_FORM, "begin at the root, as \"/home/wrenfield/broker-password\"")])
    }
    fn schema(&self) -> Value {
        json!({ "type": "string", "pattern": "^/.*[^/]$" })
    }
}
