//! Reading a recording or a photograph: every frame, the right way up, in the right colours, at its true time.
//!
//! A separate `ffmpeg` process decodes (so that a hostile file cannot crash a long run) and `ffprobe` describes. Interface for the rest of the crate:
//!
//! - [`Clip::open`] probes and starts decoding; [`Clip::next_frame`] delivers upright RGB frames in presentation order with the decoder's own
//!   presentation times; [`Clip::finish`] says how many frames were expected and read and lists warnings (damage, truncation, missing frames, unknown times),
//!   with numbers.
//! - [`sound()`] decodes the sound track, for aligning recordings.
//! - [`frame_at`] decodes the one frame shown at a time, for stills.
//! - [`read_photograph`] reads JPEG or PNG with its EXIF orientation.
//! - [`is_photograph`] tells by content (not by extension).
//!
//! What is done to a frame, in this order: pixels that are not square become square; the file's colour matrix and range are undone; high dynamic range
//! and wide primaries are brought to BT.709; the file's display matrix (turn and mirror) is applied. Whatever was guessed or changed is told in a note or
//! a warning. Slow motion keeps the file's own times.
//!
//! Nothing here uses a shell, and only local regular files are opened: paths reach the tools with the `file:` prefix, other protocols are forbidden, and only
//! container formats that cannot refer to other files are allowed.

mod colour;
mod cut;
mod decoder;
mod decoder_log;
mod local_file;
mod options;
mod orientation;
mod photograph;
mod probe;
mod reading;
mod sound;
mod still;
mod times;
mod tool;
mod wide_colour;

pub use cut::CutFinder;
pub use options::OpenOptions;
pub use orientation::Orientation;
pub use photograph::{is_photograph, read_photograph, Photograph};
pub use probe::ClipInfo;
pub use reading::{Clip, ReadSummary};
pub use sound::{sound, SOUND_RATE_HZ};
pub use still::frame_at;
