//! The camera over the carpet.
