//! The kneeling lower leg in the carpet's frame, and its gaps.
