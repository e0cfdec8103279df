//! The networks that find and read people, and the interface through which the follower uses them.

use super::detector::{Detection, Detector};
use super::landmarks::{Landmarks, Reading};
use super::models::ModelFolder;
use super::region::Region;
use crate::types::RgbImage;
use crate::Result;
use std::path::Path;

/// What the follower needs from the networks. Tests put made-up people behind it.
pub trait People {
    /// People in the whole picture, best first.
    ///
    /// # Errors
    /// Where the picture is broken or the network fails.
    fn find(&mut self, image: &RgbImage) -> Result<Vec<Detection>>;

    /// People in one window of the picture, best first.
    ///
    /// # Errors
    /// As [`People::find`].
    fn find_in(&mut self, image: &RgbImage, region: &Region) -> Result<Vec<Detection>>;

    /// The person in a window.
    ///
    /// # Errors
    /// As [`People::find`].
    fn read(&mut self, image: &RgbImage, region: &Region) -> Result<Reading>;
}

/// The person detector and the landmark network, one thread each. A second set (for frames side by side) is a second [`Networks::load`].
pub struct Networks {
    /// Finds people.
    pub detector: Detector,
    /// Reads one person.
    pub landmarks: Landmarks,
    models: ModelFolder,
}

impl Networks {
    /// Opens the networks in `models_dir` after checking their SHA-256 against `manifest.json`.
    ///
    /// # Errors
    /// [`crate::Error::Ours`] where ONNX Runtime, the manifest or a network is missing or damaged; the sentence says which.
    pub fn load(models_dir: &Path) -> Result<Self> {
        let models = ModelFolder::open(models_dir)?;
        Ok(Self {
            detector: Detector::new(models.session("person_detector")?),
            landmarks: Landmarks::new(models.session("body_landmarks")?),
            models,
        })
    }

    /// The folder they came from, for further networks and for naming what made an answer.
    pub fn models(&self) -> &ModelFolder {
        &self.models
    }
}

impl<P: People + ?Sized> People for &mut P {
    fn find(&mut self, image: &RgbImage) -> Result<Vec<Detection>> {
        (**self).find(image)
    }

    fn find_in(&mut self, image: &RgbImage, region: &Region) -> Result<Vec<Detection>> {
        (**self).find_in(image, region)
    }

    fn read(&mut self, image: &RgbImage, region: &Region) -> Result<Reading> {
        (**self).read(image, region)
    }
}

impl People for Networks {
    fn find(&mut self, image: &RgbImage) -> Result<Vec<Detection>> {
        self.detector.find(image)
    }

    fn find_in(&mut self, image: &RgbImage, region: &Region) -> Result<Vec<Detection>> {
        self.detector.find_in(image, region)
    }

    fn read(&mut self, image: &RgbImage, region: &Region) -> Result<Reading> {
        self.landmarks.read(image, region)
    }
}
