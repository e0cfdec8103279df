use shankline::check::{check_recording, CheckOptions, Eyes, LegChoice};
fn main() -> shankline::Result<()> {
    let mut eyes = Eyes::open(&shankline::pose::models::default_folder()?)?;
    for path in std::env::args().skip(1) {
        let options = CheckOptions {
            floor: None,
            stature_m: None,
            leg: LegChoice::Auto,
            rules: shankline::rules::RuleProfile::shipped(),
            athlete: None,
        };
        let checked = check_recording(path.as_ref(), &options, &mut eyes, &mut |_, _| {})?;
        for f in &checked.track.frames {
            let b = f
                .body
                .as_ref()
                .map(|b| (b.presence, b.px_per_m, shankline::pose::stance::Lowness::of(b), ratio(b)));
            println!(
                "{path} {} {:.2} {:?} {:?} {}",
                f.index,
                f.time_s,
                b,
                f.lower_leg.as_ref().map(|l| (
                    l.present,
                    l.leg_confidence,
                    l.shank_px,
                    l.points[0].at,
                    l.points[8].at,
                    l.points.iter().map(|p| p.visibility).sum::<f64>() / 15.0,
                    l.gap_sd_fraction[5]
                )),
                checked
                    .outcome
                    .holds
                    .iter()
                    .map(|h| format!("{:?}", h.call))
                    .collect::<Vec<_>>()
                    .join(" ")
            );
        }
    }
    Ok(())
}

fn ratio(body: &shankline::pose::track::Body) -> f64 {
    use shankline::pose::track::Landmark;
    let world = |l: Landmark| nalgebra::Vector3::from(body.world_m[l as usize]);
    let hips = 0.5 * (world(Landmark::LeftHip) + world(Landmark::RightHip));
    let ankles = 0.5 * (world(Landmark::LeftAnkle) + world(Landmark::RightAnkle));
    let shank = 0.5
        * ((world(Landmark::LeftKnee) - world(Landmark::LeftAnkle)).norm()
            + (world(Landmark::RightKnee) - world(Landmark::RightAnkle)).norm());
    (hips - ankles).norm() / shank
}
