//! Whether the camera moved, and how: every frame of a shot registered to the shot's first frame by what stands still in the background.
//!
//! Needs pixels, so it runs beside [`crate::pose`] while the recording is decoded; what it hands on is a plain series of homographies.
//!
//! - [`watcher`]: [`CameraWatcher::step`], once a decoded frame; [`CameraWatcher::finish`] gives the [`CameraMotion`] that travels in the track.
//! - [`series`]: the types handed on.
//! - [`tracking`]: small grey frames, corners, Lucas–Kanade there and back, RANSAC (OpenCV).
//! - [`plane`]: homographies, their weighted fit and its covariance.
//! - [`path`]: the camera's turn and zoom from the homographies of one shot (pure).
//! - [`registered`]: the track's points in the frame the floor belongs to (pure).
//!
//! A camera that only turns and zooms about its own centre maps its frames onto each other by homographies `K₁ R K₂⁻¹`, whatever the depth of what is seen (Hartley and
//! Zisserman, *Multiple View Geometry*, 2nd ed., 8.4.2). A camera that changes its place does not: what is near moves against what is far (parallax). So the turn and zoom are fitted,
//! and how much the background near the kneeling leg misses that fit is what the floor is not known by.

pub mod path;
pub mod plane;
pub mod registered;
pub mod series;
pub mod tracking;
pub mod watcher;

pub use registered::Registered;
pub use series::CameraMotion;
pub use watcher::CameraWatcher;
