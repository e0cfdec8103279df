//! Photographs: JPEG and PNG, upright by their EXIF orientation.

use super::local_file::LocalFile;
use super::options::OpenOptions;
use crate::types::RgbImage;
use crate::{Error, Result};
use image::metadata::Orientation;
use image::{DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits};
use std::io::BufReader;
use std::path::Path;

/// A photograph, upright.
#[derive(Debug, Clone, PartialEq)]
pub struct Photograph {
    /// The pixels.
    pub image: RgbImage,
    /// What was changed or ignored, a sentence each.
    pub notes: Vec<String>,
}

/// The format that a file's first bytes tell.
pub(super) fn photograph_format(head: &[u8]) -> Option<ImageFormat> {
    if head.starts_with(&[0xff, 0xd8, 0xff]) {
        Some(ImageFormat::Jpeg)
    } else if head.starts_with(b"\x89PNG\r\n\x1a\n") {
        Some(ImageFormat::Png)
    } else {
        None
    }
}

/// Whether the file at `path` is a JPEG or PNG photograph, by its first bytes and not its name.
///
/// # Errors
/// [`Error::Input`] where there is no such file or it cannot be read.
pub fn is_photograph(path: &Path) -> Result<bool> {
    Ok(photograph_format(&LocalFile::look(path)?.head).is_some())
}

/// Whether a colour profile is the standard one: its text names sRGB, in ASCII or UTF-16.
fn is_srgb(profile: &[u8]) -> bool {
    let contains = |needle: &[u8]| profile.windows(needle.len()).any(|w| w == needle);
    contains(b"sRGB") || contains(b"\0s\0R\0G\0B")
}

/// Reads the JPEG or PNG photograph at `path`, upright. The decoders are written in Rust, so a hostile file cannot do more than be refused. The size limits
/// are those of [`OpenOptions::default`].
///
/// # Errors
/// [`Error::Input`] where the file is missing, no JPEG or PNG, damaged, or too large or small.
pub fn read_photograph(path: &Path) -> Result<Photograph> {
    let options = OpenOptions::default();
    let file = LocalFile::look(path)?;
    let shown = &file.shown;
    let format = photograph_format(&file.head)
        .ok_or_else(|| Error::input(format!("{shown} is not a JPEG or PNG photograph: export it as JPEG first.")))?;
    let damaged = |e: image::ImageError| Error::input(format!("{shown} is damaged or of an unusual kind ({e}): copy or export it again."));
    let opened = std::fs::File::open(file.path()).map_err(|e| Error::input(format!("{shown} cannot be read ({e}): copy it again.")))?;
    let mut decoder = {
        let mut reader = ImageReader::with_format(BufReader::new(opened), format);
        let mut limits = Limits::default();
        // The size is checked below with a sentence of our own; this bounds what a hostile header can ask for: 16-bit RGBA of the largest size, twice.
        limits.max_alloc = Some(16 * options.max_pixels as u64);
        reader.limits(limits);
        reader.into_decoder().map_err(damaged)?
    };
    let (width, height) = decoder.dimensions();
    let (wide, high) = (width as usize, height as usize);
    if wide.max(high) > options.max_side_px || wide * high > options.max_pixels {
        return Err(Error::input(format!(
            "{shown} is {width} × {height} px; more than {} px a side or {} million pixels is not read: scale it down first.",
            options.max_side_px,
            options.max_pixels / 1_000_000
        )));
    }
    if wide.min(high) < options.min_side_px {
        return Err(Error::input(format!(
            "{shown} is {width} × {height} px; fewer than {} px a side show nothing.",
            options.min_side_px
        )));
    }
    let mut notes = Vec::new();
    // A broken EXIF block is no reason to refuse the picture, but the turn is then unknown.
    let orientation = decoder.orientation().unwrap_or_else(|_| {
        notes.push("The photograph's EXIF data cannot be read; it was taken as upright.".into());
        Orientation::NoTransforms
    });
    if decoder.icc_profile().ok().flatten().is_some_and(|profile| !is_srgb(&profile)) {
        notes.push("The photograph carries a colour profile other than sRGB, which was not applied: colours may be off.".into());
    }
    let mut picture = DynamicImage::from_decoder(decoder).map_err(damaged)?;
    if picture.color().has_alpha() {
        notes.push("The photograph has transparent parts, which were ignored.".into());
    }
    picture.apply_orientation(orientation);
    if orientation != Orientation::NoTransforms {
        notes.push(format!("The photograph was turned as its EXIF orientation {} asks.", orientation.to_exif()));
    }
    let rgb = picture.into_rgb8();
    Ok(Photograph {
        image: RgbImage {
            width: rgb.width() as usize,
            height: rgb.height() as usize,
            data: rgb.into_raw(),
        },
        notes,
    })
}
