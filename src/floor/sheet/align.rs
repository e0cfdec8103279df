//! A marker's corners, measured by laying the drawn marker over the picture.
//!
//! OpenCV reads the marker's number; its corners are good to about half a pixel, and worse where the marker is seen so flat that it is a few pixels tall. Here all of the
//! marker's edges are used: its known cells are drawn at the guessed corners as the camera would see them (blurred, with a tone curve and uneven light), and corners, blur and
//! tone are moved until the drawing equals the picture (Gauss–Newton on the differences; Baker and Matthews, "Lucas–Kanade 20 Years On", IJCV 56(3), 2004). The same
//! normal equations give the corners' joint covariance.

use super::artwork::{Marker, CELLS};
use crate::error::Result;
use crate::types::{ImagePoint, RgbImage};
use nalgebra::{DMatrix, DVector, Matrix3, SMatrix, Vector3};

/// Covariance of a marker's four corners, px², in the order u₁ v₁ … u₄ v₄.
pub type CornerCovariance = SMatrix<f64, 8, 8>;

/// A grey picture.
#[derive(Debug, Clone)]
pub struct Grey {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Rows from the top, 0–255.
    pub data: Vec<u8>,
}

impl Grey {
    /// Luma of a picture (weights of BT.709).
    pub fn of(image: &RgbImage) -> Self {
        let luma = |p: &[u8]| (54 * u32::from(p[0]) + 183 * u32::from(p[1]) + 19 * u32::from(p[2])) / 256;
        Self {
            width: image.width,
            height: image.height,
            data: image.data.chunks_exact(3).map(|p| luma(p) as u8).collect(),
        }
    }
}

/// A marker laid over the picture.
#[derive(Debug, Clone)]
pub struct Aligned {
    /// Corners, in the order of [`Marker::corners_mm`].
    pub corners: [ImagePoint; 4],
    /// Their joint covariance, px².
    pub covariance: CornerCovariance,
    /// Correlation of drawing and picture, −1 to 1.
    pub correlation: f64,
    /// White over black in the picture, grey levels.
    pub contrast: f64,
}

/// White paper that is certain around every marker, mm.
const WHITE_MM: f64 = 9.0;

/// At most this many pixels of a marker are compared; a marker seen larger is thinned out evenly.
const PIXELS: usize = 1500;

/// Pixels next to each other share their error (compression, sharpening, the drawing's own faults): the covariance is widened by this factor in standard deviation.
/// Set on rendered sheets, where the corners are known (see `docs/bench-sheet.md`).
const SHARED_ERROR: f64 = 2.0;

/// Points of the blur's kernel along each axis, in its standard deviations, and their weights: Gauss–Hermite quadrature of five points (exact to degree nine).
const KERNEL: [(f64, f64); 5] = [
    (-2.856_970, 0.011_257_4),
    (-1.355_626, 0.222_075_9),
    (0.0, 0.533_333_3),
    (1.355_626, 0.222_075_9),
    (2.856_970, 0.011_257_4),
];

/// Running sums of a marker's black cells, so that the black share of any rectangle comes from four look-ups.
struct Sums([[f64; CELLS + 1]; CELLS + 1]);

impl Sums {
    fn of(cells: &[[bool; CELLS]; CELLS]) -> Self {
        let mut s = [[0.0; CELLS + 1]; CELLS + 1];
        for r in 0..CELLS {
            for c in 0..CELLS {
                s[r + 1][c + 1] = s[r][c + 1] + s[r + 1][c] - s[r][c] + f64::from(u8::from(!cells[r][c]));
            }
        }
        Self(s)
    }

    /// Black area to the left of and above (x, y), cells.
    fn below(&self, x: f64, y: f64) -> f64 {
        let n = CELLS as f64;
        let (x, y) = (x.clamp(0.0, n), y.clamp(0.0, n));
        let (c, r) = ((x as usize).min(CELLS - 1), (y as usize).min(CELLS - 1));
        let (fx, fy) = (x - c as f64, y - r as f64);
        let s = &self.0;
        let (top, bottom) = (
            s[r][c] + fx * (s[r][c + 1] - s[r][c]),
            s[r + 1][c] + fx * (s[r + 1][c + 1] - s[r + 1][c]),
        );
        top + fy * (bottom - top)
    }

    /// Black share of the rectangle about (x, y) with these half sides, cells.
    fn share(&self, x: f64, y: f64, hx: f64, hy: f64) -> f64 {
        let (x0, x1, y0, y1) = (x - hx, x + hx, y - hy, y + hy);
        (self.below(x1, y1) - self.below(x0, y1) - self.below(x1, y0) + self.below(x0, y0)) / (4.0 * hx * hy)
    }
}

/// Homography from the unit square (0, 0), (1, 0), (1, 1), (0, 1) to four image points (Heckbert, *Fundamentals of Texture Mapping and Image Warping*, 1989, section 2.2.3).
pub(super) fn square_to_quad(q: &[ImagePoint; 4]) -> Matrix3<f64> {
    let (sx, sy) = (q[0].u - q[1].u + q[2].u - q[3].u, q[0].v - q[1].v + q[2].v - q[3].v);
    let (dx1, dx2) = (q[1].u - q[2].u, q[3].u - q[2].u);
    let (dy1, dy2) = (q[1].v - q[2].v, q[3].v - q[2].v);
    let det = dx1 * dy2 - dx2 * dy1;
    let (g, h) = ((sx * dy2 - dx2 * sy) / det, (dx1 * sy - sx * dy1) / det);
    Matrix3::new(
        q[1].u - q[0].u + g * q[1].u,
        q[3].u - q[0].u + h * q[3].u,
        q[0].u,
        q[1].v - q[0].v + g * q[1].v,
        q[3].v - q[0].v + h * q[3].v,
        q[0].v,
        g,
        h,
        1.0,
    )
}

fn apply(h: &Matrix3<f64>, x: f64, y: f64) -> (f64, f64) {
    let p = h * Vector3::new(x, y, 1.0);
    (p.x / p.z, p.y / p.z)
}

/// Parameters beside the eight corner coordinates: ln blur (px), tone exponent, black level, white over black, its slopes along u and v.
const OTHERS: usize = 6;
const COUNT: usize = 8 + OTHERS;

/// Parameters, cost, normal matrix and gradient.
type Step = (DVector<f64>, f64, DMatrix<f64>, DVector<f64>);

struct Drawing<'a> {
    sums: &'a Sums,
    /// Image to cells.
    back: Matrix3<f64>,
    blur_px: f64,
}

impl Drawing<'_> {
    /// White share of the picture at an image point, with the pixel's own square and the blur.
    fn white(&self, u: f64, v: f64) -> f64 {
        let (x, y) = apply(&self.back, u, v);
        let (xu, yu) = apply(&self.back, u + 0.5, v);
        let (xv, yv) = apply(&self.back, u, v + 0.5);
        // Blur and pixel move a point in the picture; their steps in cells.
        let (ux, uy, vx, vy) = (2.0 * (xu - x), 2.0 * (yu - y), 2.0 * (xv - x), 2.0 * (yv - y));
        // Each kernel point stands for a patch that reaches half way to its neighbours and is never smaller than the pixel.
        let patch = (0.68 * self.blur_px).max(0.5);
        let (hx, hy) = (
            (patch * (ux * ux + vx * vx).sqrt()).max(1e-4),
            (patch * (uy * uy + vy * vy).sqrt()).max(1e-4),
        );
        let mut black = 0.0;
        for (a, wa) in KERNEL {
            for (b, wb) in KERNEL {
                let (du, dv) = (a * self.blur_px, b * self.blur_px);
                black += wa * wb * self.sums.share(x + du * ux + dv * vx, y + du * uy + dv * vy, hx, hy);
            }
        }
        (1.0 - black).clamp(1e-4, 1.0)
    }
}

/// Lays `marker` over the picture, starting at `corners`; `None` where it does not settle there or runs out of the picture.
///
/// # Errors
/// [`crate::Error::Ours`] where OpenCV cannot draw the marker.
pub fn align(grey: &Grey, marker: &Marker, corners: &[ImagePoint; 4]) -> Result<Option<Aligned>> {
    let sums = Sums::of(&marker.cells()?);
    Ok(solve(grey, marker, &sums, corners))
}

fn pixels(grey: &Grey, marker: &Marker, to_image: &Matrix3<f64>) -> Option<Vec<(f64, f64, f64)>> {
    let margin = WHITE_MM / marker.side_mm;
    let outer = [
        (-margin, -margin),
        (1.0 + margin, -margin),
        (1.0 + margin, 1.0 + margin),
        (-margin, 1.0 + margin),
    ];
    let outer = outer.map(|(x, y)| apply(to_image, x, y));
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for (u, v) in outer {
        low = [low[0].min(u), low[1].min(v)];
        high = [high[0].max(u), high[1].max(v)];
    }
    let inside_picture = low[0] > 1.0 && low[1] > 1.0 && high[0] < grey.width as f64 - 1.0 && high[1] < grey.height as f64 - 1.0;
    if !inside_picture {
        return None;
    }
    let back = to_image.try_inverse()?;
    let mut all = Vec::new();
    for row in low[1] as usize..=high[1] as usize {
        for column in low[0] as usize..=high[0] as usize {
            let (u, v) = (column as f64 + 0.5, row as f64 + 0.5);
            let (x, y) = apply(&back, u, v);
            let inside = |t: f64| t > -margin && t < 1.0 + margin;
            if inside(x) && inside(y) {
                all.push((u, v, f64::from(grey.data[row * grey.width + column])));
            }
        }
    }
    if all.len() < 40 {
        return None;
    }
    if all.len() > PIXELS {
        // Evenly, with a golden-ratio jitter so that the step never falls in with the rows' length.
        let step = all.len() as f64 / PIXELS as f64;
        all = (0..PIXELS)
            .map(|k| all[((k as f64 + (k as f64 * 0.618_034).fract()) * step) as usize])
            .collect();
    }
    Some(all)
}

fn solve(grey: &Grey, marker: &Marker, sums: &Sums, start: &[ImagePoint; 4]) -> Option<Aligned> {
    let first = square_to_quad(start);
    let pixels = pixels(grey, marker, &first)?;
    let n = pixels.len() as f64;
    let middle = pixels.iter().fold((0.0, 0.0), |m, p| (m.0 + p.0 / n, m.1 + p.1 / n));
    let size = pixels.iter().map(|p| (p.0 - middle.0).hypot(p.1 - middle.1)).sum::<f64>() / n;
    let mut levels: Vec<f64> = pixels.iter().map(|p| p.2).collect();
    levels.sort_by(f64::total_cmp);
    let (black, white) = (levels[levels.len() / 10], levels[levels.len() * 9 / 10]);
    if white - black < 12.0 {
        return None;
    }
    let mut x = DVector::zeros(COUNT);
    for (k, c) in start.iter().enumerate() {
        x[2 * k] = c.u;
        x[2 * k + 1] = c.v;
    }
    x[8] = 0.7_f64.ln();
    x[9] = 0.6;
    x[10] = black;
    x[11] = white - black;
    // Weak priors keep blur, tone and the light's slope believable where the marker is too small to tell them.
    let prior: [(usize, f64, f64); 4] = [
        (8, 0.7_f64.ln(), 0.5),
        (9, 0.6, 0.25),
        (12, 0.0, 0.2 * (white - black)),
        (13, 0.0, 0.2 * (white - black)),
    ];
    let corners_of = |x: &DVector<f64>| -> [ImagePoint; 4] { std::array::from_fn(|k| ImagePoint::new(x[2 * k], x[2 * k + 1])) };
    let mut damping: f64 = 1e-3;
    let mut best: Option<Step> = None;
    for _ in 0..14 {
        let (cost, normal, gradient) = linearised(sums, &pixels, &x, middle, size, &prior, &corners_of)?;
        let improved = best.as_ref().is_none_or(|b| cost < b.1);
        let settled = best.as_ref().is_some_and(|b| improved && b.1 - cost < 1e-4 * b.1);
        if improved {
            best = Some((x.clone(), cost, normal, gradient));
            damping = (damping * 0.3).max(1e-6);
        } else {
            damping *= 8.0;
            if damping > 1e4 {
                break;
            }
        }
        if settled {
            break;
        }
        let (at, _, normal, gradient) = best.as_ref()?;
        let mut damped = normal.clone();
        for i in 0..COUNT {
            damped[(i, i)] += damping * normal[(i, i)].max(1e-9);
        }
        x = at - damped.cholesky()?.solve(gradient);
        x[8] = x[8].clamp(0.25_f64.ln(), 3.0_f64.ln());
        x[9] = x[9].clamp(0.2, 2.0);
    }
    let (x, _, normal, _) = best?;
    let corners = corners_of(&x);
    // OpenCV is within two pixels; further away, and half a cell or more, the drawing has settled on another edge.
    let shortest = (0..4)
        .map(|k| start[k].distance_px(start[(k + 1) % 4]))
        .fold(f64::INFINITY, f64::min);
    let moved = (0..4).map(|k| start[k].distance_px(corners[k])).fold(0.0, f64::max);
    if moved > (0.5 * shortest / CELLS as f64).max(2.5) {
        return None;
    }
    let (correlation, residual) = compare(sums, &pixels, &x, middle, size)?;
    let variance = residual * residual * n / (n - COUNT as f64).max(1.0);
    // The normal matrix is that of unit residuals.
    let all = crate::numerics::least_squares::invert_information(&normal) * (variance * SHARED_ERROR * SHARED_ERROR);
    Some(Aligned {
        corners,
        covariance: CornerCovariance::from_fn(|i, k| all[(i, k)]),
        correlation,
        contrast: x[11],
    })
}

fn drawing<'a>(sums: &'a Sums, corners: &[ImagePoint; 4], blur_px: f64) -> Option<Drawing<'a>> {
    let n = CELLS as f64;
    let back = Matrix3::new(n, 0.0, 0.0, 0.0, n, 0.0, 0.0, 0.0, 1.0) * square_to_quad(corners).try_inverse()?;
    Some(Drawing { sums, back, blur_px })
}

/// Cost, normal matrix and gradient of the squared differences at `x`.
fn linearised(
    sums: &Sums,
    pixels: &[(f64, f64, f64)],
    x: &DVector<f64>,
    middle: (f64, f64),
    size: f64,
    prior: &[(usize, f64, f64)],
    corners_of: &dyn Fn(&DVector<f64>) -> [ImagePoint; 4],
) -> Option<(f64, DMatrix<f64>, DVector<f64>)> {
    let corners = corners_of(x);
    let blur = x[8].exp();
    let drawing_now = drawing(sums, &corners, blur)?;
    let drawing_wide = drawing(sums, &corners, blur * 1.02)?;
    let cells = CELLS as f64;
    // Where each pixel's place on the marker goes when one corner coordinate moves.
    const STEP: f64 = 1e-3;
    let moved: Vec<Matrix3<f64>> = (0..8)
        .map(|k| {
            let mut y = x.clone();
            y[k] += STEP;
            square_to_quad(&corners_of(&y))
        })
        .collect();
    let mut normal = DMatrix::zeros(COUNT, COUNT);
    let mut gradient = DVector::zeros(COUNT);
    let mut cost = 0.0;
    let (tone, low, range) = (x[9], x[10], x[11]);
    for (u, v, seen) in pixels {
        let w = drawing_now.white(*u, *v);
        const D: f64 = 0.1;
        let wu = (drawing_now.white(u + D, *v) - drawing_now.white(u - D, *v)) / (2.0 * D);
        let wv = (drawing_now.white(*u, v + D) - drawing_now.white(*u, v - D)) / (2.0 * D);
        let w_blur = (drawing_wide.white(*u, *v) - w) / 0.02_f64.ln_1p();
        let s = w.powf(tone);
        let s_w = tone * w.powf(tone - 1.0);
        let (a, b) = ((u - middle.0) / size, (v - middle.1) / size);
        let gain = range + x[12] * a + x[13] * b;
        let r = low + gain * s - seen;
        let (px, py) = apply(&drawing_now.back, *u, *v);
        let mut j = [0.0; COUNT];
        for (k, h) in moved.iter().enumerate() {
            // The drawing moves with its corners: what is seen here was drawn a little to the other side.
            let (mu, mv) = apply(h, px / cells, py / cells);
            j[k] = -gain * s_w * (wu * (mu - u) + wv * (mv - v)) / STEP;
        }
        j[8] = gain * s_w * w_blur;
        j[9] = gain * s * w.ln();
        j[10] = 1.0;
        j[11] = s;
        j[12] = a * s;
        j[13] = b * s;
        cost += r * r;
        for i in 0..COUNT {
            gradient[i] += j[i] * r;
            for k in 0..=i {
                normal[(i, k)] += j[i] * j[k];
            }
        }
    }
    // Priors against a residual of about four grey levels.
    for (i, mean, sd) in prior {
        let weight = (4.0 / sd).powi(2);
        cost += weight * (x[*i] - mean).powi(2);
        gradient[*i] += weight * (x[*i] - mean);
        normal[(*i, *i)] += weight;
    }
    for i in 0..COUNT {
        for k in 0..i {
            normal[(k, i)] = normal[(i, k)];
        }
    }
    Some((cost, normal, gradient))
}

/// Correlation of drawing and picture, and the root mean square difference in grey levels.
fn compare(sums: &Sums, pixels: &[(f64, f64, f64)], x: &DVector<f64>, middle: (f64, f64), size: f64) -> Option<(f64, f64)> {
    let corners: [ImagePoint; 4] = std::array::from_fn(|k| ImagePoint::new(x[2 * k], x[2 * k + 1]));
    let drawing = drawing(sums, &corners, x[8].exp())?;
    let n = pixels.len() as f64;
    let drawn: Vec<f64> = pixels
        .iter()
        .map(|(u, v, _)| {
            let gain = x[11] + x[12] * (u - middle.0) / size + x[13] * (v - middle.1) / size;
            x[10] + gain * drawing.white(*u, *v).powf(x[9])
        })
        .collect();
    let (md, ms) = (drawn.iter().sum::<f64>() / n, pixels.iter().map(|p| p.2).sum::<f64>() / n);
    let (mut dd, mut ss, mut ds, mut rr) = (0.0, 0.0, 0.0, 0.0);
    for (d, p) in drawn.iter().zip(pixels) {
        dd += (d - md).powi(2);
        ss += (p.2 - ms).powi(2);
        ds += (d - md) * (p.2 - ms);
        rr += (d - p.2).powi(2);
    }
    Some((ds / (dd * ss).sqrt().max(1e-9), (rr / n).sqrt().max(0.5)))
}
