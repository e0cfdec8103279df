//! Times the pose networks on one thread: `cargo bench --bench pose_speed`.
//!
//! The picture is the photograph in `tests/data/pose`, in the middle of a 1920 × 1080 frame.

use opencv::core::{Mat, MatTraitConst, MatTraitConstManual};
use opencv::imgcodecs::{imread, IMREAD_COLOR};
use opencv::imgproc::{cvt_color_def, COLOR_BGR2RGB};
use shankline::pose::region::Region;
use shankline::pose::{FollowOptions, Follower, Networks, People};
use shankline::types::{Frame, ImagePoint, RgbImage};
use std::path::Path;
use std::time::Instant;

const ROUNDS: usize = 30;

fn frame_with_person(root: &Path) -> RgbImage {
    let path = root.join("tests/data/pose/astronaut_256.png");
    let bgr = imread(path.to_str().expect("a path in UTF-8"), IMREAD_COLOR).expect("the photograph");
    let mut rgb = Mat::default();
    cvt_color_def(&bgr, &mut rgb, COLOR_BGR2RGB).expect("colours");
    let (pixels, side) = (rgb.data_bytes().expect("pixels"), rgb.rows() as usize);
    let mut frame = RgbImage::filled(1920, 1080, [90, 100, 90]);
    // Four times as large by repeating pixels.
    for y in 0..4 * side {
        for x in 0..4 * side {
            let from = ((y / 4) * side + x / 4) * 3;
            let to = ((y + 28) * frame.width + x + 448) * 3;
            frame.data[to..to + 3].copy_from_slice(&pixels[from..from + 3]);
        }
    }
    frame
}

fn time(name: &str, mut work: impl FnMut()) {
    work();
    let mut times_ms: Vec<f64> = (0..ROUNDS)
        .map(|_| {
            let start = Instant::now();
            work();
            start.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    times_ms.sort_by(f64::total_cmp);
    println!(
        "{name:34} {:7.1} ms at best, {:7.1} ms median of {ROUNDS}",
        times_ms[0],
        times_ms[ROUNDS / 2]
    );
}

fn main() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let image = frame_with_person(root);
    let mut networks = Networks::load(&root.join("models")).expect("the networks");
    let whole = Region::whole(image.width, image.height);
    time("detector, whole picture", || {
        networks.find_in(&image, &whole).expect("detector");
    });
    let region = Region {
        centre: ImagePoint::new(960.0, 760.0),
        side_px: 1500.0,
        rotation_rad: 0.0,
    };
    time("landmarks and refinement", || {
        networks.read(&image, &region).expect("landmarks");
    });
    let mut follower = Follower::new(networks, FollowOptions::default());
    let mut index = 0u64;
    let mut frame = Frame { index, time_s: 0.0, image };
    time("one frame followed", || {
        frame.index = index;
        frame.time_s = index as f64 / 30.0;
        index += 1;
        follower.step(&frame).expect("follower");
    });
}
