//! What must hold for the orders of every run.
use crate::station::{Action, Direction};

/// What must hold for the orders of every run.
#[derive(Debug, Default)]
pub(in crate::run::tests) struct Watch {
    /// The direction of the last order to move, since the last order of standstill.
    moving: Option<Direction>,
    /// An order to move was given, and no stop after it.
    pub(in crate::run::tests) unstopped: bool,
    pub(in crate::run::tests) broken: Option<String>,
}

impl Watch {
    pub(in crate::run::tests) fn see(&mut self, action: &Action) {
        match action {
            Action::Drive { setting, direction } => {
                if setting.value > setting.of || setting.of != 28 {
                    self.broken.get_or_insert(format!("above the step mode: {setting:?}"));
                }
                if setting.value == 0 {
                    self.moving = None;
                    return;
                }
                if self.moving.is_some_and(|before| before != *direction) {
                    self.broken.get_or_insert("turned round without a standstill between".to_owned());
                }
                self.moving = Some(*direction);
                self.unstopped = true;
            }
            Action::Stop | Action::EmergencyStop | Action::PowerOff => {
                self.moving = None;
                self.unstopped = false;
            }
            Action::WriteCv { cv: 7 | 8, .. } => {
                self.broken.get_or_insert("CV 7 or 8 written".to_owned());
            }
            _ => {}
        }
    }
}
