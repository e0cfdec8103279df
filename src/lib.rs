//! Tells from ordinary video whether the inner side of the kneeling lower leg is down on the carpet while the athlete is still, and says when the
//! video cannot tell.
//!
//! The folders follow the data:
//!
//! ```text
//! clip ──► pose ──► Track ──┬─► hold ──► Hold ─┐
//!                           │                  ├─► leg ──► GapProfile ──► rules ──► Finding ──► report
//! floor marks or the body ──┴─► floor ─► FloorCamera ┘
//! ```
//!
//! Each step is a function of the step before and each hand-over is a plain serialisable type. Only [`clip`] and [`report`] touch files; only [`pose`]
//! knows ONNX; only [`floor`] and [`leg`] know projective geometry; [`rules`] knows numbers and a rule file, nothing of pixels. [`check`] joins the steps.
#![deny(missing_docs)]

pub mod agree;
pub mod bench;
pub mod camera_motion;
pub mod check;
pub mod cli;
pub mod clip;
pub mod error;
pub mod export;
pub mod floor;
pub mod hash;
pub mod hold;
pub mod join;
pub mod leg;
pub mod numerics;
pub mod outcome;
pub mod phases;
pub mod pose;
pub mod report;
pub mod rules;
pub mod screen;
pub mod statistics;
pub mod table;
pub mod types;
pub mod viewpoint;

pub use error::{Error, Result};
