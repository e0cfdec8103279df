//! Every test file in one program: linked once, and files share both processors of a small machine. `cargo test --test all check_clips` runs one file.
//! `memory_bound.rs` counts its process's memory, `report_full_disk.rs` limits its process's files: they stay by themselves.

mod agreement_outside;
mod bad_input;
mod bench_sample;
mod camera_motion;
mod check_clips;
mod check_moving_clips;
mod check_repetition_clips;
mod clip_reading;
mod command_line;
mod floor_outside;
mod join_clips;
mod join_outside;
mod leg_fit;
mod lines_clips;
mod lines_outside;
mod phases_simulated;
mod pose_clip;
mod pose_follow;
mod pose_networks;
mod real_clip;
mod report_files;
mod report_page;
mod screen_runs;
mod sheet_outside;
mod statistics_outside;
mod tables;
mod where_to_stand;

#[path = "data/report/examples.rs"]
mod examples;
