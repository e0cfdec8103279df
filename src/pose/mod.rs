//! From pixels to a followed athlete: the general keypoint network, and our own lower-leg network. The only folder that knows ONNX.
//!
//! - [`track`]: the types handed on.
//! - [`networks`]: `Networks::load(models_dir)` checks SHA-256 against `models/manifest.json` and opens the sessions (one thread each, spinning off).
//! - [`follow`]: `Follower::new(networks, FollowOptions { athlete, .. })`, `Follower::step(&Frame)` a frame at a time, `Follower::finish() -> Track` (left/right
//!   repair over time happens there, in [`legs`]).
//! - [`detector`], [`landmarks`], [`heatmap`], [`region`]: finding people, reading one, refining points, cutting windows.
//! - [`figure`]: whether a point is on a body.
//! - [`photograph`]: a closer look for the stance where there is one frame only.
//! - [`accuracy`]: how well the points are known, every constant in one place. [`stance`]: who is down low.
//! - [`models`], [`runtime`]: the network files and ONNX Runtime's library.
//! - [`calibration`]: measured errors of our own network.
//! - [`lower_leg`]: crops the kneeling lower leg from the full-resolution frame and reads it.

pub mod accuracy;
pub mod calibration;
pub mod detector;
pub mod figure;
pub mod follow;
pub mod heatmap;
pub mod landmarks;
pub mod legs;
pub mod lower_leg;
pub mod models;
pub mod networks;
pub mod photograph;
pub mod region;
pub mod runtime;
pub mod stance;
pub mod track;

pub use follow::{FollowOptions, Follower};
pub use networks::{Networks, People};
