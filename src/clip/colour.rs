//! Which colours a file means, and the ffmpeg filters that turn them into 8-bit full-range RGB with BT.709 primaries.

use super::wide_colour::WideColour;

/// What a file says of its colours, in ffprobe's words; `None` where it says nothing.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct ColourTags {
    /// Pixel format, such as `yuv420p10le`.
    pub pixel_format: String,
    /// `tv` or `pc`.
    pub range: Option<String>,
    /// Matrix, such as `bt709`.
    pub matrix: Option<String>,
    /// Primaries, such as `bt2020`.
    pub primaries: Option<String>,
    /// Transfer characteristic, such as `arib-std-b67`.
    pub transfer: Option<String>,
    /// The brightest the recording holds, cd/m², from its mastering display or content light level.
    pub peak_cd_m2: Option<f64>,
}

/// How the colours are turned into RGB.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ColourPlan {
    /// Filters ending in planar RGB (`gbrp`) of the wanted size, each followed by a comma.
    pub filters: String,
    /// Whether the recording has high dynamic range.
    pub high_dynamic_range: bool,
    /// What was guessed.
    pub notes: Vec<String>,
    /// What makes the colours less sure.
    pub warnings: Vec<String>,
}

/// zscale's name of a matrix, from ffprobe's.
fn matrix_name(tag: &str) -> Option<&'static str> {
    Some(match tag {
        "bt709" => "709",
        "bt470bg" => "470bg",
        "smpte170m" => "170m",
        "smpte240m" => "240m",
        "fcc" => "fcc",
        "ycgco" => "ycgco",
        "bt2020nc" => "2020_ncl",
        _ => return None,
    })
}

/// From this height or width on, an untagged picture is taken as high definition: the usual line players draw, common practice, no source.
const HD_MIN_WIDTH_PX: usize = 1280;
/// See [`HD_MIN_WIDTH_PX`].
const HD_MIN_HEIGHT_PX: usize = 720;

/// Plans the conversion of frames of `decoded` (width, height), px, as they come out of the decoder, to `wanted`, px, before any turning.
pub(super) fn plan(tags: &ColourTags, decoded: (usize, usize), wanted: (usize, usize)) -> ColourPlan {
    let mut notes = Vec::new();
    let mut warnings = Vec::new();
    let format = tags.pixel_format.as_str();
    let is_rgb = [
        "rgb", "bgr", "gbr", "argb", "abgr", "0rgb", "0bgr", "x2rgb", "pal8", "mono", "gray", "ya8", "ya16",
    ]
    .iter()
    .any(|start| format.starts_with(start));
    let (width, height) = wanted;
    let wide = WideColour::for_tags(tags.transfer.as_deref(), tags.primaries.as_deref(), tags.peak_cd_m2);
    let high_dynamic_range = wide.as_ref().is_some_and(WideColour::is_high_dynamic_range);
    let to_rgb = wide
        .as_ref()
        .map_or_else(|| ",format=gbrp,".to_owned(), WideColour::settings_and_filters);

    let mut filters = String::new();
    if is_rgb {
        filters.push_str(&format!("scale=w={width}:h={height}:flags=bicubic+accurate_rnd,format=gbrp,"));
        if wide.is_some() {
            filters.push_str(&format!("zscale=min=gbr:rin=full:m=gbr:r=full{to_rgb}"));
        }
    } else {
        // zscale asks for sizes that the chroma subsampling divides; others get full chroma first.
        let step = match format {
            f if f.contains("444") => 1,
            f if f.contains("410") || f.contains("411") => 4,
            _ => 2,
        };
        if decoded.0 % step != 0 || decoded.1 % step != 0 {
            let depth = ["10", "12", "14", "16"]
                .into_iter()
                .find(|d| format.contains(&format!("p{d}")) || format.contains(&format!("p0{d}")));
            match depth {
                Some(depth) => filters.push_str(&format!("format=yuv444p{depth}le,")),
                None => filters.push_str("format=yuv444p,"),
            }
        }
        let by_size = if decoded.0 >= HD_MIN_WIDTH_PX || decoded.1 >= HD_MIN_HEIGHT_PX {
            ("709", "BT.709")
        } else {
            ("170m", "BT.601")
        };
        let matrix = match tags.matrix.as_deref() {
            Some(tag) => matrix_name(tag).unwrap_or_else(|| {
                warnings.push(format!(
                    "The file's colour matrix “{tag}” is not one this program knows; {} was used by the picture's size, so colours may be off.",
                    by_size.1
                ));
                by_size.0
            }),
            None if high_dynamic_range => "2020_ncl",
            None => {
                notes.push(format!(
                    "The file does not say which colour matrix it uses; {} was taken from the picture's size ({} × {}).",
                    by_size.1, decoded.0, decoded.1
                ));
                by_size.0
            }
        };
        // H.264 and HEVC infer limited range where nothing is said; only the full-range pixel formats (yuvj…) differ.
        let range = match tags.range.as_deref() {
            Some("pc") => "full",
            Some(_) => "limited",
            None if format.starts_with("yuvj") => "full",
            None => "limited",
        };
        let resampling = if decoded == wanted { "bilinear" } else { "bicubic" };
        filters.push_str(&format!(
            "zscale=w={width}:h={height}:f={resampling}:min={matrix}:rin={range}:m=gbr:r=full{to_rgb}"
        ));
    }
    if let Some(wide) = &wide {
        if high_dynamic_range {
            warnings.push(format!(
                "The recording has high dynamic range ({}); it was tone mapped to standard range, so brightness and colours are not the recorded ones.",
                wide.words()
            ));
        } else {
            notes.push(format!("Colours were converted from {} to BT.709.", wide.words()));
        }
    }
    ColourPlan {
        filters,
        high_dynamic_range,
        notes,
        warnings,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tags(format: &str) -> ColourTags {
        ColourTags {
            pixel_format: format.into(),
            ..ColourTags::default()
        }
    }

    #[test]
    fn an_untagged_file_is_told() {
        let hd = plan(&tags("yuv420p"), (1920, 1080), (1920, 1080));
        assert!(hd.filters.contains("min=709") && hd.notes[0].contains("BT.709"));
        let sd = plan(&tags("yuv420p"), (720, 576), (720, 576));
        assert!(sd.filters.contains("min=170m") && sd.notes[0].contains("BT.601"));
    }

    #[test]
    fn odd_sizes_get_full_chroma_first() {
        assert!(plan(&tags("yuv420p10le"), (33, 32), (33, 32))
            .filters
            .starts_with("format=yuv444p10le,"));
        assert!(plan(&tags("p010le"), (33, 32), (33, 32)).filters.starts_with("format=yuv444p10le,"));
        assert!(plan(&tags("yuv420p"), (33, 32), (33, 32)).filters.starts_with("format=yuv444p,"));
        assert!(plan(&tags("yuv444p"), (33, 33), (33, 33)).filters.starts_with("zscale"));
    }
}
