//! Does the rig tell the truth: the checks that a recording of the library answers.

use crate::import::as_lap;
use crate::{Workshop, WorkshopError};
use channels::Samples;
use rig::Outcome;
use rig::forces::{ForceOptions, Forces};
use rig::pedals::{PedalOptions, Pedals};
use rig::steering::{Steering, SteeringOptions};
use rig::timing::Timing;

impl Workshop {
    /// Whether the force feedback clips, where, and which gain would not.
    ///
    /// # Errors
    /// [`WorkshopError::Library`] when there is no such recording, [`WorkshopError::Rig`] for options out of range.
    pub fn rig_forces(
        &self,
        recording: &str,
        options: &ForceOptions,
    ) -> Result<Outcome<Forces>, WorkshopError> {
        let samples = self.library.samples(recording)?;
        let laps: Vec<_> = self.library.laps_of(recording)?.iter().map(as_lap).collect();
        let circuit = self.library.recording(recording)?.circuit;
        let circuit =
            circuit.filter(|c| self.library.circuit(c).is_ok()).map(|c| self.circuit(&c)).transpose()?;
        let said = rig::forces::forces(&samples, &laps, circuit.as_ref(), options);
        said.map_err(|e| WorkshopError::Rig(e.to_string()))
    }

    /// Whether the pedals reach both ends, quietly, finely and the same way each time.
    ///
    /// # Errors
    /// As [`Workshop::rig_forces`].
    pub fn rig_pedals(
        &self,
        recording: &str,
        options: &PedalOptions,
    ) -> Result<Outcome<Pedals>, WorkshopError> {
        rig::pedals::pedals(&self.samples(recording)?, options).map_err(|e| WorkshopError::Rig(e.to_string()))
    }

    /// Whether the wheel on the screen turns as the one in the hands does, and when.
    ///
    /// # Errors
    /// As [`Workshop::rig_forces`].
    pub fn rig_steering(
        &self,
        recording: &str,
        options: &SteeringOptions,
    ) -> Result<Outcome<Steering>, WorkshopError> {
        rig::steering::steering(&self.samples(recording)?, options)
            .map_err(|e| WorkshopError::Rig(e.to_string()))
    }

    /// Whether samples come evenly, and how late an input arrives.
    ///
    /// # Errors
    /// [`WorkshopError::Library`] when there is no such recording.
    pub fn rig_timing(&self, recording: &str) -> Result<Outcome<Timing>, WorkshopError> {
        Ok(rig::timing::timing(&self.samples(recording)?))
    }

    fn samples(&self, recording: &str) -> Result<Samples, WorkshopError> {
        Ok(self.library.samples(recording)?)
    }
}
