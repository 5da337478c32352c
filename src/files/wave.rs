//! What a WAVE format chunk says, to whoever reads it and to whoever writes it (mmreg.h).

/// Whole numbers.
pub const PCM: u16 = 1;
/// Floats.
pub const FLOAT: u16 = 3;
/// What is behind says which of the others it is.
pub const EXTENSIBLE: u16 = 0xfffe;
/// What follows the format tag in a sub-format that is one of the plain formats.
pub const PLAIN_GUID: [u8; 14] = *b"\0\0\0\0\x10\0\x80\0\0\xaa\0\x38\x9b\x71";
