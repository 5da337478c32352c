//! Sound files, byte by byte as their formats' documents have them.

/// How the samples of a WAV file are stored.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Stored {
    Int16,
    Int24,
    Int32,
    Float32,
}

/// The bytes of a WAV file (RIFF 1991; WAVEFORMATEXTENSIBLE with `mask` if there is one). One
/// vector a channel; full scale is ±1, integers are rounded and clipped.
pub fn wav(rate_hz: u32, stored: Stored, mask: Option<u32>, channels: &[Vec<f64>]) -> Vec<u8> {
    let bytes_per_sample: u16 = match stored {
        Stored::Int16 => 2,
        Stored::Int24 => 3,
        Stored::Int32 | Stored::Float32 => 4,
    };
    let count = u16::try_from(channels.len()).unwrap();
    let tag: u16 = if stored == Stored::Float32 { 3 } else { 1 };

    let mut format = Vec::new();
    format.extend(if mask.is_some() { 0xfffe_u16 } else { tag }.to_le_bytes());
    format.extend(count.to_le_bytes());
    format.extend(rate_hz.to_le_bytes());
    format.extend((rate_hz * u32::from(bytes_per_sample * count)).to_le_bytes());
    format.extend((bytes_per_sample * count).to_le_bytes());
    format.extend((bytes_per_sample * 8).to_le_bytes());
    if let Some(mask) = mask {
        format.extend(22_u16.to_le_bytes());
        format.extend((bytes_per_sample * 8).to_le_bytes());
        format.extend(mask.to_le_bytes());
        format.extend(tag.to_le_bytes());
        format.extend(*b"\0\0\0\0\x10\0\x80\0\0\xaa\0\x38\x9b\x71");
    }

    let mut data = Vec::new();
    for frame in 0..channels.first().map_or(0, Vec::len) {
        for channel in channels {
            data.extend(stored_bytes(channel[frame], stored));
        }
    }

    let mut riff = b"WAVE".to_vec();
    for (id, body) in [(b"fmt ", &format), (b"data", &data)] {
        riff.extend(id);
        riff.extend(u32::try_from(body.len()).unwrap().to_le_bytes());
        riff.extend(body);
        riff.resize(riff.len().next_multiple_of(2), 0);
    }
    [
        b"RIFF",
        &u32::try_from(riff.len()).unwrap().to_le_bytes()[..],
        &riff,
    ]
    .concat()
}

fn stored_bytes(sample: f64, stored: Stored) -> Vec<u8> {
    let integer = |bits: u32| {
        let full_scale = 2_f64.powi(bits.cast_signed() - 1);
        (sample * full_scale)
            .round()
            .clamp(-full_scale, full_scale - 1.0) as i32
    };
    match stored {
        Stored::Int16 => integer(16).to_le_bytes()[..2].to_vec(),
        Stored::Int24 => integer(24).to_le_bytes()[..3].to_vec(),
        Stored::Int32 => integer(32).to_le_bytes().to_vec(),
        Stored::Float32 => (sample as f32).to_le_bytes().to_vec(),
    }
}

/// An AIFF file (Apple, "Audio Interchange File Format", version 1.3): COMM with its 80-bit sample
/// rate, then SSND.
pub fn aiff(rate_hz: u32, channels: &[Vec<f64>]) -> Vec<u8> {
    let frames = channels[0].len();
    let mut common = Vec::new();
    common.extend(u16::try_from(channels.len()).unwrap().to_be_bytes());
    common.extend(u32::try_from(frames).unwrap().to_be_bytes());
    common.extend(24_u16.to_be_bytes());
    // IEEE 754 extended: the mantissa's top bit is the integer bit.
    let shift = u64::from(rate_hz).leading_zeros();
    common.extend((16_383 + 63 - u16::try_from(shift).unwrap()).to_be_bytes());
    common.extend((u64::from(rate_hz) << shift).to_be_bytes());

    let mut sound = vec![0; 8];
    for frame in 0..frames {
        for channel in channels {
            sound.extend(&((channel[frame] * 8_388_607.0).round() as i32).to_be_bytes()[1..]);
        }
    }
    let mut form = b"AIFF".to_vec();
    for (id, body) in [(b"COMM", &common), (b"SSND", &sound)] {
        form.extend(id);
        form.extend(u32::try_from(body.len()).unwrap().to_be_bytes());
        form.extend(body);
    }
    [
        b"FORM",
        &u32::try_from(form.len()).unwrap().to_be_bytes()[..],
        &form,
    ]
    .concat()
}

/// A FLAC stream of 16-bit verbatim subframes (RFC 9639): no prediction, so that it can be written
/// by hand.
pub fn flac(rate_hz: u32, channels: &[Vec<f64>]) -> Vec<u8> {
    const BLOCK: usize = 4096;
    let count = u64::try_from(channels.len()).unwrap();
    let frames = channels[0].len();
    let mut bytes = b"fLaC".to_vec();
    // STREAMINFO, the last metadata block: block sizes, unknown frame sizes, then rate, channels,
    // bits and length.
    bytes.extend([0x80, 0, 0, 34]);
    bytes.extend([u16::try_from(BLOCK).unwrap().to_be_bytes(); 2].concat());
    bytes.extend([0; 6]);
    let packed = u64::from(rate_hz) << 44
        | (count - 1) << 41
        | (16 - 1) << 36
        | u64::try_from(frames).unwrap();
    bytes.extend(packed.to_be_bytes());
    bytes.extend([0; 16]);

    for (number, start) in (0..frames).step_by(BLOCK).enumerate() {
        let end = frames.min(start + BLOCK);
        let length = u16::try_from(end - start - 1).unwrap();
        // Block size in 16 bits, rate as in STREAMINFO, independent channels, 16 bits; then the
        // frame's number.
        let channel_code = u8::try_from(count - 1).unwrap() << 4;
        let mut frame = vec![0xff, 0xf8, 0x70, channel_code | 0x08];
        assert!(number < 128, "a frame number of one byte");
        frame.push(u8::try_from(number).unwrap());
        frame.extend(length.to_be_bytes());
        frame.push(u8::try_from(crc(&frame, 8, 0x07)).unwrap());
        for channel in channels {
            frame.push(0x02);
            for sample in &channel[start..end] {
                frame.extend(((sample * 32_767.0).round() as i16).to_be_bytes());
            }
        }
        frame.extend(crc(&frame, 16, 0x8005).to_be_bytes());
        bytes.extend(frame);
    }
    bytes
}

/// Cyclic redundancy check, most significant bit first, from zero (RFC 9639, section 9.1.8 and
/// 9.3).
fn crc(bytes: &[u8], bits: u32, polynomial: u16) -> u16 {
    let top = 1_u32 << (bits - 1);
    let mask = (top << 1).wrapping_sub(1);
    let mut remainder = 0_u32;
    for byte in bytes {
        remainder ^= u32::from(*byte) << (bits - 8);
        for _ in 0..8 {
            let carry = remainder & top != 0;
            remainder = (remainder << 1) & mask;
            if carry {
                remainder ^= u32::from(polynomial);
            }
        }
    }
    u16::try_from(remainder).unwrap()
}

/// A chunk of a RIFF file, padded to an even length.
pub fn chunk(id: [u8; 4], body: &[u8]) -> Vec<u8> {
    let length = u32::try_from(body.len()).unwrap().to_le_bytes();
    let pad = if body.len() % 2 == 1 { &[0][..] } else { &[] };
    [&id, &length[..], body, pad].concat()
}

/// The body of the format chunk of 24-bit stereo samples at 48 kHz.
fn format() -> Vec<u8> {
    wav(48_000, Stored::Int24, None, &[vec![], vec![]])[20..36].to_vec()
}

/// RF64 (EBU Tech 3306) or BW64 (ITU-R BS.2088) of 24-bit stereo samples at 48 kHz: the lengths
/// stand in `ds64`.
pub fn big_riff(id: [u8; 4], data: &[u8], told: u64) -> Vec<u8> {
    let mut sizes = (data.len() as u64 + 72).to_le_bytes().to_vec();
    sizes.extend(told.to_le_bytes());
    sizes.extend((data.len() as u64 / 6).to_le_bytes());
    sizes.extend(0_u32.to_le_bytes());
    let mut samples = chunk(*b"data", data);
    samples[4..8].fill(0xff);
    let mut bytes = [&id, &b"\xff\xff\xff\xffWAVE"[..]].concat();
    bytes.extend(chunk(*b"ds64", &sizes));
    bytes.extend(chunk(*b"fmt ", &format()));
    bytes.extend(samples);
    bytes
}

/// An RF64 file of these bytes as 24-bit stereo samples at 48 kHz.
pub fn rf64(data: &[u8]) -> Vec<u8> {
    big_riff(*b"RF64", data, data.len() as u64)
}

/// A Wave64 file of these bytes as 24-bit stereo samples at 48 kHz: GUIDs, lengths of 64 bits that
/// count their own headers, padded to eight.
pub fn wave64(data: &[u8]) -> Vec<u8> {
    const TAIL: &[u8] = b"\xf3\xac\xd3\x11\x8c\xd1\0\xc0\x4f\x8e\xdb\x8a";
    let part = |id: &[u8; 4], body: &[u8]| {
        let mut part = [id, TAIL, &(body.len() as u64 + 24).to_le_bytes(), body].concat();
        part.resize(part.len().next_multiple_of(8), 0);
        part
    };
    let list = part(b"list", b"a name of 19 bytes.");
    let chunks = [part(b"fmt ", &format()), list, part(b"data", data)].concat();
    let first = b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\0\0";
    let length = (chunks.len() as u64 + 40).to_le_bytes();
    [&first[..], &length, b"wave", TAIL, &chunks].concat()
}
