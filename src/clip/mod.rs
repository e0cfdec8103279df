//! Reading a recording or a photograph: every frame, the right way up, in the right colours, at its true time.
//!
//! A separate `ffmpeg` process decodes (so that a hostile file cannot crash a long run) and `ffprobe` describes. Interface for the rest of the crate:
//!
//! - [`Clip::open`] probes and starts decoding; [`Clip::next_frame`] delivers upright RGB frames in presentation order with the decoder's own
//!   presentation times; [`Clip::finish`] says how many frames were expected and read and lists warnings (damage, truncation, missing frames, unknown times),
//!   with numbers.
//! - [`frame_at`] decodes the one frame shown at a time, for stills.
//! - [`read_photograph`] reads JPEG or PNG with its EXIF orientation.
//! - [`is_photograph`] tells by content (not by extension).
