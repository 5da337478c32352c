//! What the benches play: the demo songs, over and over.

/// Frames a second of the programme.
pub const RATE_HZ: u32 = 48_000;

/// Both demo songs in turn, stereo at 48 kHz.
pub fn stereo(seconds: u32) -> [Vec<f32>; 2] {
    let songs = [songs::rink_lights(RATE_HZ), songs::turnstile(RATE_HZ)];
    let frames = (seconds * RATE_HZ) as usize;
    [0, 1].map(|channel| {
        let both = songs.iter().flat_map(|song| &song.channels[channel]);
        both.copied().cycle().take(frames).collect()
    })
}

/// Stereo programme in blocks of `block` frames.
pub fn blocks([left, right]: &[Vec<f32>; 2], block: usize) -> impl Iterator<Item = [&[f32]; 2]> {
    let pairs = left.chunks(block).zip(right.chunks(block));
    pairs.map(|(left, right)| [left, right])
}
