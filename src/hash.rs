//! The SHA-256 that names a file, in hexadecimal.

use sha2::{Digest, Sha256};

/// SHA-256 of `bytes` (FIPS 180-4), 64 lower-case hexadecimal digits.
///
/// ```
/// // The one-block example of FIPS 180-4's example values.
/// assert!(shankline::hash::sha256_hex(b"abc").starts_with("ba7816bf8f01cfea"));
/// ```
pub fn sha256_hex(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// Lower-case hexadecimal digits of `bytes`, for hashes that are fed piece by piece.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}
