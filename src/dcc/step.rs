//! Speed steps and the bytes that order them. S-9.2 (2004) figure 2 and S-9.2.1 (2012), `standards/dcc.md`
//! section 3.2.
use thiserror::Error;

/// What a speed instruction says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Speed {
    /// Stop with the momentum set.
    Stop,
    /// Power off the motor at once.
    EmergencyStop,
    /// A moving step, from 1.
    Step(u8),
}

/// The step mode.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StepMode {
    /// 28 moving steps, one byte.
    Steps28,
    /// 126 moving steps, two bytes.
    Steps126,
}

/// No such step in this mode.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
#[error("step {step} does not exist among 1 to {of}")]
pub struct StepError {
    /// The step asked for.
    pub step: u8,
    /// The moving steps of the mode.
    pub of: u8,
}

impl StepMode {
    /// Number of moving steps.
    #[must_use]
    pub const fn moving_steps(self) -> u8 {
        match self {
            Self::Steps28 => 28,
            Self::Steps126 => 126,
        }
    }

    /// The instruction bytes after the address.
    ///
    /// # Errors
    /// The step does not exist in this mode.
    pub fn instruction(self, forward: bool, speed: Speed) -> Result<Vec<u8>, StepError> {
        let of = self.moving_steps();
        if let Speed::Step(step) = speed
            && !(1..=of).contains(&step)
        {
            return Err(StepError { step, of });
        }
        Ok(match self {
            Self::Steps28 => vec![0x40 | u8::from(forward) << 5 | code_28(speed)],
            Self::Steps126 => vec![0x3F, u8::from(forward) << 7 | code_126(speed)],
        })
    }
}

/// Five bits C SSSS: the lowest bit of the step goes in front.
const fn code_28(speed: Speed) -> u8 {
    match speed {
        Speed::Stop => 0,
        Speed::EmergencyStop => 1,
        Speed::Step(step) => {
            let code = step + 3;
            (code & 1) << 4 | code >> 1
        }
    }
}

/// Seven bits: stop, emergency stop, then the steps.
const fn code_126(speed: Speed) -> u8 {
    match speed {
        Speed::Stop => 0,
        Speed::EmergencyStop => 1,
        Speed::Step(step) => step + 1,
    }
}

/// Direction (forward is true) and speed of a 28-step instruction byte; none where the byte is no such
/// instruction.
#[must_use]
pub const fn read_28(byte: u8) -> Option<(bool, Speed)> {
    if byte & 0xC0 != 0x40 {
        return None;
    }
    let speed = match byte & 0x0F {
        0 => Speed::Stop,
        1 => Speed::EmergencyStop,
        high => Speed::Step((high << 1 | byte >> 4 & 1) - 3),
    };
    Some((byte & 0x20 != 0, speed))
}

/// Direction (forward is true) and speed of the data byte of a 126-step instruction.
#[must_use]
pub const fn read_126(data: u8) -> (bool, Speed) {
    let speed = match data & 0x7F {
        0 => Speed::Stop,
        1 => Speed::EmergencyStop,
        code => Speed::Step(code - 1),
    };
    (data & 0x80 != 0, speed)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The 28-step table of S-9.2 (2004) figure 2 as `standards/dcc.md` section 3.2 prints it, forward bytes
    /// of steps 1 to 28; reverse lies 0x20 lower. Holds row 36 of section 10.
    const FORWARD_28: [u8; 28] = [
        0x62, 0x72, 0x63, 0x73, 0x64, 0x74, 0x65, 0x75, 0x66, 0x76, 0x67, 0x77, 0x68, 0x78, 0x69, 0x79, 0x6A,
        0x7A, 0x6B, 0x7B, 0x6C, 0x7C, 0x6D, 0x7D, 0x6E, 0x7E, 0x6F, 0x7F,
    ];

    #[test]
    fn the_28_step_table_both_ways() {
        for (step, byte) in (1..).zip(FORWARD_28) {
            let speed = Speed::Step(step);
            assert_eq!(StepMode::Steps28.instruction(true, speed), Ok(vec![byte]));
            assert_eq!(StepMode::Steps28.instruction(false, speed), Ok(vec![byte - 0x20]));
            assert_eq!(read_28(byte), Some((true, speed)));
            assert_eq!(read_28(byte - 0x20), Some((false, speed)));
        }
    }

    /// `standards/dcc.md` section 10 rows 37 and 38, and the stop codes of section 3.2 (S-9.2 figures 1 and
    /// 2).
    #[test]
    fn bytes_of_28_step_mode() {
        assert_eq!(read_28(0x74), Some((true, Speed::Step(6))));
        assert_eq!(read_28(0x51), Some((false, Speed::EmergencyStop)));
        for byte in [0x60, 0x70] {
            assert_eq!(read_28(byte), Some((true, Speed::Stop)));
        }
        for byte in [0x41, 0x51] {
            assert_eq!(read_28(byte), Some((false, Speed::EmergencyStop)));
        }
        for byte in [0x00, 0x3F, 0x80, 0xFF] {
            assert_eq!(read_28(byte), None, "{byte:02X} is another instruction");
        }
    }

    /// Rows 39 to 41 (S-9.2.1, 128 speed step control).
    #[test]
    fn bytes_of_126_step_mode() {
        for (step, data) in [(1, 0x82), (63, 0xC0), (126, 0xFF)] {
            assert_eq!(StepMode::Steps126.instruction(true, Speed::Step(step)), Ok(vec![0x3F, data]));
            assert_eq!(read_126(data), (true, Speed::Step(step)));
        }
        assert_eq!(read_126(0x81), (true, Speed::EmergencyStop));
        assert_eq!(read_126(0x01), (false, Speed::EmergencyStop));
        assert_eq!(read_126(0x00), (false, Speed::Stop));
        for step in [0, 127] {
            assert_eq!(
                StepMode::Steps126.instruction(true, Speed::Step(step)),
                Err(StepError { step, of: 126 })
            );
        }
        assert!(StepMode::Steps28.instruction(true, Speed::Step(29)).is_err());
    }
}
