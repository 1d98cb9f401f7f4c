//! Frames of `input.raw`: every input the core got and every byte string it sent, in order, in few bytes.
//!
//! A frame is: bench time as the difference to the frame before it in the chunk (zigzag varint of nanoseconds; the
//! first frame's to zero), a tag byte, and the fields of that kind. Numbers are varints, texts and byte strings
//! have their length before them. This is what replay feeds to the core, so the parsers run again too.
use super::varint;
use crate::run::{Answer, Input, JournalTrouble, PersonAct};
use crate::station::Session;
use crate::time::BenchTime;
use thiserror::Error;

/// A frame: something that passed the core's door.
#[derive(Clone, Debug, PartialEq)]
pub struct Frame {
    /// When.
    pub at: BenchTime,
    /// What.
    pub kind: FrameKind,
}

/// What passed.
#[derive(Clone, Debug, PartialEq)]
pub enum FrameKind {
    /// Into the core.
    In(Input),
    /// Out of it, to a station session.
    Sent(Session, Vec<u8>),
}

/// What passes, borrowed, for writing.
#[derive(Clone, Copy, Debug)]
pub enum FrameRef<'a> {
    /// Into the core.
    In(&'a Input),
    /// Out of it, to a station session.
    Sent(Session, &'a [u8]),
}

/// Why a frame cannot be read, although its chunk's checksum is right.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum FrameError {
    /// The chunk ends within it, or a number has too many bits.
    #[error("a frame is cut off")]
    Cut,
    /// A kind that this program does not know.
    #[error("unknown frame kind {0}")]
    Kind(u8),
    /// A word of a small set that this program does not know.
    #[error("unknown value {0} in a frame")]
    Word(u8),
    /// A text is not UTF-8.
    #[error("a text in a frame is not UTF-8")]
    Text,
}

mod tag {
    pub(super) const SENSOR_OPENED: u8 = 1;
    pub(super) const SENSOR_BYTES: u8 = 2;
    pub(super) const SENSOR_CLOSED: u8 = 3;
    pub(super) const SENSOR_DROPPED: u8 = 4;
    pub(super) const STATION_OPENED: u8 = 5;
    pub(super) const STATION_BYTES: u8 = 6;
    pub(super) const STATION_CLOSED: u8 = 7;
    pub(super) const WAKE: u8 = 8;
    pub(super) const JOURNAL: u8 = 9;
    pub(super) const JOURNAL_TROUBLE: u8 = 10;
    pub(super) const PERSON: u8 = 11;
    pub(super) const GAP: u8 = 12;
    pub(super) const TASK_FAILED: u8 = 14;
    pub(super) const SENT: u8 = 13;
    pub(super) const WATCHMAN_GONE: u8 = 15;
    pub(super) const RESUMED: u8 = 16;
}

fn put_bytes(out: &mut Vec<u8>, bytes: &[u8]) {
    varint::put(out, bytes.len() as u64);
    out.extend_from_slice(bytes);
}

fn session_word(session: Session) -> u8 {
    match session {
        Session::Drive => 0,
        Session::Programming => 1,
        Session::Information => 2,
        Session::Rescue => 3,
    }
}

fn put_trouble(out: &mut Vec<u8>, trouble: &JournalTrouble) {
    match trouble {
        JournalTrouble::Lagging => out.push(0),
        JournalTrouble::Full => out.push(1),
        JournalTrouble::Failed(words) => {
            out.push(2);
            put_bytes(out, words.as_bytes());
        }
        JournalTrouble::NearlyFull(left) => {
            out.push(3);
            varint::put(out, *left);
        }
    }
}

fn put_person(out: &mut Vec<u8>, act: PersonAct) {
    match act {
        PersonAct::Pause => out.push(0),
        PersonAct::GoOn => out.push(1),
        PersonAct::Stop => out.push(2),
        PersonAct::Answer { question, answer } => {
            out.push(3);
            varint::put(out, u64::from(question));
            out.push(match answer {
                Answer::Front => 0,
                Answer::Rear => 1,
                Answer::Done => 2,
            });
        }
    }
}

fn put_input(out: &mut Vec<u8>, input: &Input) {
    match input {
        Input::SensorOpened => out.push(tag::SENSOR_OPENED),
        Input::SensorBytes(bytes) => {
            out.push(tag::SENSOR_BYTES);
            put_bytes(out, bytes);
        }
        Input::SensorClosed(why) => {
            out.push(tag::SENSOR_CLOSED);
            put_bytes(out, why.as_bytes());
        }
        Input::SensorDropped(bytes) => {
            out.push(tag::SENSOR_DROPPED);
            varint::put(out, *bytes);
        }
        Input::StationOpened(session) => out.extend([tag::STATION_OPENED, session_word(*session)]),
        Input::StationBytes(session, bytes) => {
            out.extend([tag::STATION_BYTES, session_word(*session)]);
            put_bytes(out, bytes);
        }
        Input::StationClosed(session, why) => {
            out.extend([tag::STATION_CLOSED, session_word(*session)]);
            put_bytes(out, why.as_bytes());
        }
        Input::Wake => out.push(tag::WAKE),
        Input::Journal { written, synced } => {
            out.push(tag::JOURNAL);
            varint::put(out, *written);
            varint::put(out, *synced);
        }
        Input::JournalTrouble(trouble) => {
            out.push(tag::JOURNAL_TROUBLE);
            put_trouble(out, trouble);
        }
        Input::TaskFailed(why) => {
            out.push(tag::TASK_FAILED);
            put_bytes(out, why.as_bytes());
        }
        Input::WatchmanGone(why) => {
            out.push(tag::WATCHMAN_GONE);
            put_bytes(out, why.as_bytes());
        }
        Input::Person(act) => {
            out.push(tag::PERSON);
            put_person(out, *act);
        }
        Input::Gap { nanos } => {
            out.push(tag::GAP);
            varint::put(out, *nanos);
        }
        Input::Resumed { away_nanos } => {
            out.push(tag::RESUMED);
            varint::put(out, *away_nanos);
        }
    }
}

/// Appends a frame; `before` is the time of the frame before it in the chunk, zero for the first.
pub fn encode(out: &mut Vec<u8>, before: BenchTime, at: BenchTime, frame: FrameRef<'_>) {
    let step = at.as_nanos().wrapping_sub(before.as_nanos()).cast_signed();
    varint::put(out, ((step << 1) ^ (step >> 63)).cast_unsigned());
    match frame {
        FrameRef::In(input) => put_input(out, input),
        FrameRef::Sent(session, bytes) => {
            out.extend([tag::SENT, session_word(session)]);
            put_bytes(out, bytes);
        }
    }
}

/// Takes frames off the front of a chunk's bytes.
struct Taker<'a, 'b>(&'b mut &'a [u8]);

impl Taker<'_, '_> {
    fn number(&mut self) -> Result<u64, FrameError> {
        varint::take(self.0).ok_or(FrameError::Cut)
    }

    fn byte(&mut self) -> Result<u8, FrameError> {
        let (&byte, rest) = self.0.split_first().ok_or(FrameError::Cut)?;
        *self.0 = rest;
        Ok(byte)
    }

    fn bytes(&mut self) -> Result<Vec<u8>, FrameError> {
        let len = usize::try_from(self.number()?).map_err(|_| FrameError::Cut)?;
        let (bytes, rest) = self.0.split_at_checked(len).ok_or(FrameError::Cut)?;
        *self.0 = rest;
        Ok(bytes.to_vec())
    }

    fn text(&mut self) -> Result<String, FrameError> {
        String::from_utf8(self.bytes()?).map_err(|_| FrameError::Text)
    }

    fn session(&mut self) -> Result<Session, FrameError> {
        match self.byte()? {
            0 => Ok(Session::Drive),
            1 => Ok(Session::Programming),
            2 => Ok(Session::Information),
            3 => Ok(Session::Rescue),
            other => Err(FrameError::Word(other)),
        }
    }

    fn trouble(&mut self) -> Result<JournalTrouble, FrameError> {
        match self.byte()? {
            0 => Ok(JournalTrouble::Lagging),
            1 => Ok(JournalTrouble::Full),
            2 => Ok(JournalTrouble::Failed(self.text()?)),
            3 => Ok(JournalTrouble::NearlyFull(self.number()?)),
            other => Err(FrameError::Word(other)),
        }
    }

    fn answer(&mut self) -> Result<PersonAct, FrameError> {
        let question = u32::try_from(self.number()?).map_err(|_| FrameError::Cut)?;
        let answer = match self.byte()? {
            0 => Answer::Front,
            1 => Answer::Rear,
            2 => Answer::Done,
            other => return Err(FrameError::Word(other)),
        };
        Ok(PersonAct::Answer { question, answer })
    }

    fn person(&mut self) -> Result<PersonAct, FrameError> {
        match self.byte()? {
            0 => Ok(PersonAct::Pause),
            1 => Ok(PersonAct::GoOn),
            2 => Ok(PersonAct::Stop),
            3 => self.answer(),
            other => Err(FrameError::Word(other)),
        }
    }

    fn kind(&mut self) -> Result<FrameKind, FrameError> {
        Ok(FrameKind::In(match self.byte()? {
            tag::SENSOR_OPENED => Input::SensorOpened,
            tag::SENSOR_BYTES => Input::SensorBytes(self.bytes()?),
            tag::SENSOR_CLOSED => Input::SensorClosed(self.text()?),
            tag::SENSOR_DROPPED => Input::SensorDropped(self.number()?),
            tag::STATION_OPENED => Input::StationOpened(self.session()?),
            tag::STATION_BYTES => Input::StationBytes(self.session()?, self.bytes()?),
            tag::STATION_CLOSED => Input::StationClosed(self.session()?, self.text()?),
            tag::WAKE => Input::Wake,
            tag::JOURNAL => Input::Journal { written: self.number()?, synced: self.number()? },
            tag::JOURNAL_TROUBLE => Input::JournalTrouble(self.trouble()?),
            tag::PERSON => Input::Person(self.person()?),
            tag::TASK_FAILED => Input::TaskFailed(self.text()?),
            tag::WATCHMAN_GONE => Input::WatchmanGone(self.text()?),
            tag::GAP => Input::Gap { nanos: self.number()? },
            tag::RESUMED => Input::Resumed { away_nanos: self.number()? },
            tag::SENT => return Ok(FrameKind::Sent(self.session()?, self.bytes()?)),
            other => return Err(FrameError::Kind(other)),
        }))
    }
}

/// Takes the next frame off the front of a chunk's bytes; `before` as in [`encode`].
///
/// # Errors
/// [`FrameError`].
pub fn decode(bytes: &mut &[u8], before: BenchTime) -> Result<Frame, FrameError> {
    let mut taker = Taker(bytes);
    let zigzag = taker.number()?;
    let step = (zigzag >> 1) ^ (zigzag & 1).wrapping_neg();
    let at = BenchTime::from_nanos(before.as_nanos().wrapping_add(step));
    Ok(Frame { at, kind: taker.kind()? })
}
