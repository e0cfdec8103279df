//! Photographs: JPEG and PNG, upright by their EXIF orientation.

use super::local_file::LocalFile;
use super::options::OpenOptions;
use crate::types::RgbImage;
use crate::{Error, Result};
use image::metadata::Orientation;
use image::{DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits};
use std::io::{Cursor, Read};
use std::path::Path;

/// The largest file read, bytes: 64 million pixels of 16-bit colour hardly compressed.
const MAX_FILE_BYTES: u64 = 512 << 20;

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

/// Whether a JPEG's picture reaches its end marker. The decoder fills what is missing with grey and says nothing, so this is asked before.
///
/// Walks the marker segments of ISO/IEC 10918-1, annex B: a segment gives its length; coded data after a start of scan run up to a marker that is neither a
/// stuffed zero nor a restart. Whatever follows the end marker (phones append previews and short videos) is not looked at.
fn jpeg_reaches_its_end(bytes: &[u8]) -> bool {
    let mut at = 2;
    while let Some(&[0xff, marker]) = bytes.get(at..at + 2) {
        match marker {
            0xd9 => return true,
            // Fill byte.
            0xff => at += 1,
            // Without a length: temporary, restarts, start of image.
            0x01 | 0xd0..=0xd8 => at += 2,
            _ => {
                let Some(&[high, low]) = bytes.get(at + 2..at + 4) else {
                    return false;
                };
                at += 2 + usize::from(u16::from_be_bytes([high, low]));
                if marker == 0xda {
                    let coded = bytes.get(at..).unwrap_or_default();
                    let Some(length) = coded.windows(2).position(|w| w[0] == 0xff && !matches!(w[1], 0 | 0xd0..=0xd7)) else {
                        return false;
                    };
                    at += length;
                }
            }
        }
    }
    false
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
    if file.size > MAX_FILE_BYTES {
        return Err(Error::input(format!(
            "{shown} takes {} MB; a photograph of more than {} MB is not read: export it as JPEG first.",
            file.size >> 20,
            MAX_FILE_BYTES >> 20
        )));
    }
    let mut bytes = Vec::new();
    std::fs::File::open(file.path())
        .and_then(|opened| opened.take(MAX_FILE_BYTES).read_to_end(&mut bytes))
        .map_err(|e| Error::input(format!("{shown} cannot be read ({e}): copy it again.")))?;
    if format == ImageFormat::Jpeg && !jpeg_reaches_its_end(&bytes) {
        return Err(Error::input(format!("{shown} is cut off: its picture has no end; copy it again.")));
    }
    let mut decoder = {
        let mut reader = ImageReader::with_format(Cursor::new(bytes), format);
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
        notes.push(format!(
            "The photograph was turned as its EXIF orientation {} asks.",
            orientation.to_exif()
        ));
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
