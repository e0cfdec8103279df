//! When the stance was still.
