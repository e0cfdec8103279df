//! How two views' carpet frames lie in one another.
//!
//! By the same marks: both floor files name the same carpet coordinates, so the user says that they are the same marks. By the body: its landmarks in both frames at the same
//! instants, a rigid motion in the carpet's plane (Kabsch 1976 in two dimensions) at every instant, the middle one of all. The body's landmarks are off by decimetres along each
//! camera's own line of sight and the same way in every frame, so that many frames do not make the tie better: its stated uncertainty is that habit's size.

use crate::floor::marks::FloorFile;
use crate::leg::fit::Tie;
use crate::numerics::median;
use crate::phases::body_path::BodyAt;
use nalgebra::{Matrix3, Vector2, Vector3};

/// Carpet coordinates that differ by less than this name one mark, metres.
const SAME_MARK_M: f64 = 0.005;

/// So many marks in common tie two floors.
const LEAST_MARKS: usize = 3;

/// How exactly the same marks tie two floors, beyond what each floor's own covariance holds: place (metres) and turn (radians). A person who clicks a tape's corner twice does not
/// click the same spot of it.
pub const SAME_MARKS_SD: (f64, f64) = (0.004, 0.003);

/// How well the body's landmarks tie two frames: place (metres) and turn (radians). On 22 pairs of rendered stills the general network's body lay decimetres and tens of degrees off, twice back to
/// front; the leg's own points, which are far better, settle the rest.
pub const BODY_SD: (f64, f64) = (0.25, 1.0);

/// Whether two floor files name the same marks; how many.
pub fn marks_in_common(a: &FloorFile, b: &FloorFile) -> usize {
    a.marks
        .iter()
        .filter(|m| {
            b.marks
                .iter()
                .any(|n| (0..2).all(|i| (m.carpet_m[i] - n.carpet_m[i]).abs() < SAME_MARK_M))
        })
        .count()
}

/// Whether that is enough to tie the floors.
pub fn same_marks(a: &FloorFile, b: &FloorFile) -> bool {
    marks_in_common(a, b) >= LEAST_MARKS
}

/// The tie that the body's landmarks give; pairs of the body in the first view's frame and in the other's at the same instant. `None` without pairs.
pub fn by_body(pairs: &[(&BodyAt, &BodyAt)]) -> Option<Tie> {
    let each: Vec<Vector3<f64>> = pairs.iter().filter_map(|(a, b)| rigid(a, b)).collect();
    let first = each.first()?.z;
    // Turns are taken about the first one, so that the middle does not run across half a turn.
    let near = |yaw: f64| first + (yaw - first + std::f64::consts::PI).rem_euclid(std::f64::consts::TAU) - std::f64::consts::PI;
    let yaw = median(each.iter().map(|e| near(e.z)).collect())?;
    // With the turn fixed the place is the difference of the middles.
    let (sin, cos) = yaw.sin_cos();
    let shifts: Vec<Vector2<f64>> = pairs
        .iter()
        .filter_map(|(a, b)| {
            let (ma, mb) = middles(a, b)?;
            Some(mb - Vector2::new(cos * ma.x - sin * ma.y, sin * ma.x + cos * ma.y))
        })
        .collect();
    let place = Vector2::new(
        median(shifts.iter().map(|s| s.x).collect())?,
        median(shifts.iter().map(|s| s.y).collect())?,
    );
    let scatter = |values: Vec<f64>, middle: f64| 1.483 * median(values.into_iter().map(|v| (v - middle).abs()).collect()).unwrap_or(0.0);
    let yaw_sd = scatter(each.iter().map(|e| near(e.z)).collect(), yaw).max(BODY_SD.1);
    // A turn is about the body, so that it moves the frame's origin with it.
    let (a, b) = pairs.first().copied()?;
    let (about, _) = middles(a, b)?;
    let turned = Vector2::new(-sin * about.x - cos * about.y, cos * about.x - sin * about.y);
    let place_sd = scatter(shifts.iter().map(|s| s.x).collect(), place.x)
        .max(scatter(shifts.iter().map(|s| s.y).collect(), place.y))
        .max(BODY_SD.0);
    let lever = Vector3::new(-turned.x, -turned.y, 1.0) * yaw_sd;
    let own = Matrix3::from_diagonal(&Vector3::new(place_sd * place_sd, place_sd * place_sd, 1e-8));
    Some(Tie {
        x_m: place.x,
        y_m: place.y,
        yaw_rad: yaw,
        covariance: own + lever * lever.transpose(),
    })
}

/// Landmarks seen in both, level places.
fn seen(a: &BodyAt, b: &BodyAt) -> Vec<(Vector2<f64>, Vector2<f64>)> {
    // The face's and the hands' points are crowded together and say little; shoulders to feet do.
    (11..=32)
        .filter(|l| !(17..=22).contains(l) && a.visibility[*l] > 0.3 && b.visibility[*l] > 0.3)
        .map(|l| (a.at[l].xy(), b.at[l].xy()))
        .collect()
}

fn middles(a: &BodyAt, b: &BodyAt) -> Option<(Vector2<f64>, Vector2<f64>)> {
    let pairs = seen(a, b);
    let n = pairs.len() as f64;
    (pairs.len() >= 4).then(|| {
        pairs
            .iter()
            .fold((Vector2::zeros(), Vector2::zeros()), |m, p| (m.0 + p.0 / n, m.1 + p.1 / n))
    })
}

/// (x, y, yaw) of one instant.
fn rigid(a: &BodyAt, b: &BodyAt) -> Option<Vector3<f64>> {
    let (ma, mb) = middles(a, b)?;
    let (mut dot, mut cross) = (0.0, 0.0);
    for (p, q) in seen(a, b) {
        let (p, q) = (p - ma, q - mb);
        dot += p.dot(&q);
        cross += p.x * q.y - p.y * q.x;
    }
    let yaw = cross.atan2(dot);
    let (sin, cos) = yaw.sin_cos();
    Some(Vector3::new(
        mb.x - (cos * ma.x - sin * ma.y),
        mb.y - (sin * ma.x + cos * ma.y),
        yaw,
    ))
}
