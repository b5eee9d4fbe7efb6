//! Tests and intervals that rest on the randomisation alone: the signs of paired differences are flipped.
//!
//! Fisher 1935, The Design of Experiments, section 21; Westfall & Young 1993, Resampling-Based Multiple Testing,
//! algorithm 2.5, for several outcomes at once. When the side of the treatment was not drawn at random, the p value
//! assumes that it might as well have been.

mod inversion;
mod joint;
mod layouts;
mod sign_flip;

pub use inversion::sign_flip_interval;
pub use joint::{JointOutcome, JointSignFlip, joint_sign_flip};
pub use layouts::{EXACT_UP_TO, Layouts, SAMPLES};
pub use sign_flip::{SignFlip, sign_flip};
