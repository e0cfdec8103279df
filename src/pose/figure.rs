//! How far a point of the picture is from a body: who is meant by a point on the athlete.
//!
//! Measured from the lines between the landmarks, not from the box about them: the box of somebody with an arm or a leg stretched out holds whoever kneels beside them.

use super::lower_leg::apparent_shank_px;
use super::track::{Body, Landmark};
use crate::types::ImagePoint;

/// Distance from the body's lines, in shank lengths, up to which a point is on the body. A head's top, a hand's tip and a thigh's side are 0.2 to 0.45 away (common practice, no source:
/// a shank of 0.4 m); on 183 calibration stills read on the athlete the point on the knee was within 0.41 of the legs' lines in all but one.
const ON_BODY_SHANKS: f64 = 0.5;

/// Landmarks that a line joins.
const LINES: [(Landmark, Landmark); 16] = {
    use Landmark::*;
    [
        (LeftShoulder, RightShoulder),
        (LeftHip, RightHip),
        (LeftShoulder, LeftHip),
        (RightShoulder, RightHip),
        (LeftShoulder, LeftElbow),
        (RightShoulder, RightElbow),
        (LeftElbow, LeftWrist),
        (RightElbow, RightWrist),
        (LeftHip, LeftKnee),
        (RightHip, RightKnee),
        (LeftKnee, LeftAnkle),
        (RightKnee, RightAnkle),
        (LeftAnkle, LeftHeel),
        (RightAnkle, RightHeel),
        (LeftAnkle, LeftToe),
        (RightAnkle, RightToe),
    ]
};

/// Distance from a point to the nearest of the body's lines, px.
pub fn distance_px(body: &Body, point: ImagePoint) -> f64 {
    let neck = body.at(Landmark::LeftShoulder).towards(body.at(Landmark::RightShoulder), 0.5);
    LINES
        .iter()
        .map(|&(a, b)| (body.at(a), body.at(b)))
        .chain([(neck, body.hips()), (neck, body.at(Landmark::Nose))])
        .map(|(a, b)| to_segment_px(point, a, b))
        .fold(f64::INFINITY, f64::min)
}

/// Whether a point (px) is on the body or so near to it that nobody else need be meant.
pub fn is_at(body: &Body, point: ImagePoint) -> bool {
    distance_px(body, point) <= ON_BODY_SHANKS * apparent_shank_px(body)
}

fn to_segment_px(point: ImagePoint, a: ImagePoint, b: ImagePoint) -> f64 {
    let (du, dv) = (b.u - a.u, b.v - a.v);
    let length2 = du * du + dv * dv;
    let along = if length2 > 0.0 {
        (((point.u - a.u) * du + (point.v - a.v) * dv) / length2).clamp(0.0, 1.0)
    } else {
        0.0
    };
    point.distance_px(a.towards(b, along))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_distance_to_a_segment_is_to_its_nearest_point() {
        let (a, b) = (ImagePoint::new(0.0, 0.0), ImagePoint::new(10.0, 0.0));
        for (u, v, px) in [(5.0, 3.0, 3.0), (-4.0, 3.0, 5.0), (13.0, -4.0, 5.0), (2.0, 0.0, 0.0)] {
            assert!((to_segment_px(ImagePoint::new(u, v), a, b) - px).abs() < 1e-12);
        }
        assert!((to_segment_px(ImagePoint::new(3.0, 4.0), a, a) - 5.0).abs() < 1e-12);
    }
}
