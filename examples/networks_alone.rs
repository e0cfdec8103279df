//! Time that the networks alone take on a recording: its frames are decoded into memory first (use a short one: a 1080p frame takes 6 MB), then followed and read one after the
//! other on one thread. For `benches/whole_check.sh`.
//!
//! ```text
//! cargo run --release --example networks_alone -- RECORDING
//! ```

use shankline::check::Eyes;
use shankline::clip::{Clip, OpenOptions};
use shankline::pose::{FollowOptions, Follower};
use std::path::PathBuf;
use std::time::Instant;

fn main() -> shankline::Result<()> {
    let path = PathBuf::from(std::env::args_os().nth(1).expect("name a recording"));
    let mut clip = Clip::open(&path, &OpenOptions::default())?;
    let mut frames = Vec::new();
    while let Some(frame) = clip.next_frame()? {
        frames.push(frame);
    }
    let Eyes {
        mut people, mut lower_leg, ..
    } = Eyes::open(&shankline::pose::models::default_folder()?)?;
    let started = Instant::now();
    let mut follower = Follower::new(&mut people, FollowOptions::default());
    for frame in &frames {
        if let Some(body) = follower.step(frame)?.body {
            lower_leg.read(&frame.image, &body, None, None)?;
        }
    }
    println!("{} {:.2}", frames.len(), started.elapsed().as_secs_f64());
    Ok(())
}
