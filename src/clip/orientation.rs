//! The display matrix of a file: how a decoded frame is turned and mirrored to stand upright.

use serde::{Deserialize, Serialize};

/// One of the eight ways a rectangle can be laid on itself: turned by quarter turns, mirrored or not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Orientation {
    /// As decoded.
    Upright,
    /// A quarter turn clockwise.
    Clockwise90,
    /// Half a turn.
    HalfTurn,
    /// A quarter turn anticlockwise.
    Anticlockwise90,
    /// Left and right exchanged.
    MirroredLeftRight,
    /// Top and bottom exchanged.
    MirroredTopBottom,
    /// Rows become columns (mirrored about the diagonal from top left).
    Transposed,
    /// Mirrored about the diagonal from top right.
    AntiTransposed,
}

impl Orientation {
    /// From a display matrix, nine numbers row by row as in ISO/IEC 14496-12 (8.3.2, track header): a point (p, q) of the decoded frame, p right and q
    /// down, is shown at x = a p + c q, y = b p + d q with a, b, c, d = matrix\[0\], \[1\], \[3\], \[4\]; and whether it is one of the eight (within
    /// about one degree) rather than the nearest of them.
    pub fn from_display_matrix(matrix: &[i64; 9]) -> (Self, bool) {
        let (a, b, c, d) = (matrix[0] as f64, matrix[1] as f64, matrix[3] as f64, matrix[4] as f64);
        let straight = a.abs() + d.abs();
        let crossed = b.abs() + c.abs();
        if straight + crossed == 0.0 {
            return (Self::Upright, false);
        }
        let orientation = if straight >= crossed {
            match (a >= 0.0, d >= 0.0) {
                (true, true) => Self::Upright,
                (false, true) => Self::MirroredLeftRight,
                (true, false) => Self::MirroredTopBottom,
                (false, false) => Self::HalfTurn,
            }
        } else {
            match (b >= 0.0, c >= 0.0) {
                (true, false) => Self::Clockwise90,
                (false, true) => Self::Anticlockwise90,
                (true, true) => Self::Transposed,
                (false, false) => Self::AntiTransposed,
            }
        };
        let off_axis = straight.min(crossed) / straight.max(crossed);
        (orientation, off_axis < 0.0175)
    }

    /// Whether width and height change places.
    pub const fn swaps_sides(self) -> bool {
        matches!(
            self,
            Self::Clockwise90 | Self::Anticlockwise90 | Self::Transposed | Self::AntiTransposed
        )
    }

    /// The ffmpeg filters that bring a decoded frame upright, each followed by a comma; empty where there is nothing to do. ffmpeg's own automatic
    /// rotation is not used, so that what is done is known here.
    pub(super) const fn filters(self) -> &'static str {
        match self {
            Self::Upright => "",
            Self::Clockwise90 => "transpose=clock,",
            Self::HalfTurn => "hflip,vflip,",
            Self::Anticlockwise90 => "transpose=cclock,",
            Self::MirroredLeftRight => "hflip,",
            Self::MirroredTopBottom => "vflip,",
            // In ffmpeg's words: a quarter turn anticlockwise, then top and bottom exchanged.
            Self::Transposed => "transpose=cclock_flip,",
            Self::AntiTransposed => "transpose=clock_flip,",
        }
    }

    /// For a sentence.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Upright => "upright",
            Self::Clockwise90 => "turned a quarter clockwise",
            Self::HalfTurn => "turned upside down",
            Self::Anticlockwise90 => "turned a quarter anticlockwise",
            Self::MirroredLeftRight => "mirrored left to right",
            Self::MirroredTopBottom => "mirrored top to bottom",
            Self::Transposed => "mirrored about the falling diagonal",
            Self::AntiTransposed => "mirrored about the rising diagonal",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_matrix_a_little_off_is_snapped_and_one_far_off_is_told() {
        let turned = |degrees: f64| {
            let (s, c) = degrees.to_radians().sin_cos();
            let f = |v: f64| (v * 65536.0).round() as i64;
            [f(c), f(s), 0, f(-s), f(c), 0, 0, 0, 1 << 30]
        };
        assert_eq!(Orientation::from_display_matrix(&turned(90.0)), (Orientation::Clockwise90, true));
        assert_eq!(Orientation::from_display_matrix(&turned(90.5)), (Orientation::Clockwise90, true));
        assert_eq!(Orientation::from_display_matrix(&turned(180.0)), (Orientation::HalfTurn, true));
        assert_eq!(
            Orientation::from_display_matrix(&turned(270.0)),
            (Orientation::Anticlockwise90, true)
        );
        assert_eq!(Orientation::from_display_matrix(&turned(30.0)), (Orientation::Upright, false));
        assert_eq!(Orientation::from_display_matrix(&[0; 9]), (Orientation::Upright, false));
    }
}
