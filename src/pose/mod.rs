//! From pixels to a followed athlete: the general keypoint network, and our own lower-leg network. The only folder that knows ONNX.
//!
//! - [`track`]: the types handed on.
//! - `Networks::load(models_dir)` checks SHA-256 against `models/manifest.json` and opens the sessions (one thread each, spinning off).
//! - `Follower::new(networks, FollowOptions { athlete })`, `Follower::step(&Frame) -> PoseFrame`, `Follower::finish() -> Track` (left/right repair over time happens there).
//! - `lower_leg`: crops the kneeling lower leg from the full-resolution frame and reads it.

pub mod track;
