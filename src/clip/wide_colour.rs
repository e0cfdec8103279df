//! High dynamic range and primaries wider than BT.709's: what they are, and the ffmpeg filter settings that bring them to BT.709.

/// Luminance that becomes 1.0 before tone mapping: the reference white of high-dynamic-range programmes, 203 cd/m² (Report ITU-R BT.2408).
const REFERENCE_WHITE_CD_M2: f64 = 203.0;

/// Colours that need more than their matrix undone.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct WideColour {
    /// Transfer characteristic in zscale's words.
    transfer: &'static str,
    /// Primaries in zscale's words.
    primaries: &'static str,
    /// Brightest luminance over reference white; `None` for standard dynamic range.
    peak: Option<f64>,
}

impl WideColour {
    /// For a file's tags in ffprobe's words, and the brightest luminance it names; `None` where the colours are BT.709's or near enough (BT.601's
    /// primaries differ by a few levels and are left alone, as players do).
    pub fn for_tags(transfer: Option<&str>, primaries: Option<&str>, peak_cd_m2: Option<f64>) -> Option<Self> {
        let wide = match primaries {
            Some("bt2020") => Some("bt2020"),
            Some("smpte431") => Some("smpte431"),
            Some("smpte432") => Some("smpte432"),
            _ => None,
        };
        match transfer {
            // Hybrid log-gamma is relative; its nominal display peaks at 1000 cd/m² (Recommendation ITU-R BT.2100).
            Some("arib-std-b67") => Some(Self {
                transfer: "arib-std-b67",
                primaries: wide.unwrap_or("bt2020"),
                peak: Some(1000.0 / REFERENCE_WHITE_CD_M2),
            }),
            Some("smpte2084") => Some(Self {
                transfer: "smpte2084",
                primaries: wide.unwrap_or("bt2020"),
                peak: Some(peak_cd_m2.unwrap_or(1000.0).clamp(250.0, 10_000.0) / REFERENCE_WHITE_CD_M2),
            }),
            Some("iec61966-2-1") => wide.map(|primaries| Self {
                transfer: "iec61966-2-1",
                primaries,
                peak: None,
            }),
            _ => wide.map(|primaries| Self {
                transfer: "bt709",
                primaries,
                peak: None,
            }),
        }
    }

    /// Whether the dynamic range is high.
    pub fn is_high_dynamic_range(&self) -> bool {
        self.peak.is_some()
    }

    /// For a sentence.
    pub fn words(&self) -> String {
        let primaries = match self.primaries {
            "bt2020" => "BT.2020",
            _ => "P3",
        };
        match self.transfer {
            "arib-std-b67" => format!("hybrid log-gamma, {primaries} primaries"),
            "smpte2084" => format!("perceptual quantizer, {primaries} primaries"),
            _ => format!("{primaries} primaries"),
        }
    }

    /// What follows the matrix and range in a zscale filter's settings, up to planar 8-bit RGB. High dynamic range goes through linear light with BT.709
    /// primaries, where ffmpeg's `tonemap` leaves dark and middle tones alone and bends only the bright ones (mobius).
    pub fn settings_and_filters(&self) -> String {
        let Self { transfer, primaries, .. } = self;
        match self.peak {
            Some(peak) => format!(
                ":pin={primaries}:tin={transfer}:p=bt709:t=linear:npl={REFERENCE_WHITE_CD_M2},format=gbrpf32le,\
                 tonemap=tonemap=mobius:desat=0:peak={peak:.4},zscale=m=gbr:p=bt709:t=bt709:r=full,format=gbrp,"
            ),
            None => format!(":pin={primaries}:tin={transfer}:p=bt709:t=bt709,format=gbrp,"),
        }
    }
}
