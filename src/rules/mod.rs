//! Rules as data.
