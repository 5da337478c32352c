//! A texture and how it is looked up: OpenGL 4.6 section 8.14, without mipmaps.

use egui::{Color32, ColorImage, Pos2, TextureFilter, TextureOptions, TextureWrapMode, Vec2};

/// Premultiplied colours in rows from the top.
pub(super) struct Texture {
    width: usize,
    height: usize,
    texels: Vec<Color32>,
    options: TextureOptions,
}

impl Texture {
    pub(super) fn new(image: &ColorImage, options: TextureOptions) -> Self {
        Self {
            width: image.width(),
            height: image.height(),
            texels: image.pixels.clone(),
            options,
        }
    }

    /// Replaces the part of the texture under `image`, its top left texel at `corner`. What reaches
    /// beyond the edge is left out.
    pub(super) fn update(&mut self, [left, top]: [usize; 2], image: &ColorImage) {
        let columns = image.width().min(self.width.saturating_sub(left));
        let rows = self.texels.chunks_exact_mut(self.width.max(1)).skip(top);
        for (row, source) in rows.zip(image.pixels.chunks_exact(image.width().max(1))) {
            for (texel, colour) in row.iter_mut().skip(left).zip(source.iter().take(columns)) {
                *texel = *colour;
            }
        }
    }

    /// Width and height in texels.
    pub(super) fn size(&self) -> Vec2 {
        Vec2::new(self.width as f32, self.height as f32)
    }

    /// The filter for a triangle on which one pixel spans `texels_per_pixel`: above one the texture
    /// shrinks.
    pub(super) fn filter(&self, texels_per_pixel: f32) -> TextureFilter {
        if texels_per_pixel > 1.0 {
            self.options.minification
        } else {
            self.options.magnification
        }
    }

    /// The colour at `at`, in texels from the top left corner, as fractions of full scale.
    pub(super) fn sample(&self, at: Pos2, filter: TextureFilter) -> [f32; 4] {
        match filter {
            TextureFilter::Nearest => self.texel(at.x.floor() as i64, at.y.floor() as i64),
            TextureFilter::Linear => {
                let (x, y) = (at.x - 0.5, at.y - 0.5);
                let (left, top) = (x.floor(), y.floor());
                let (across, down) = (x - left, y - top);
                let (left, top) = (left as i64, top as i64);
                let upper = mix(self.texel(left, top), self.texel(left + 1, top), across);
                let lower = mix(
                    self.texel(left, top + 1),
                    self.texel(left + 1, top + 1),
                    across,
                );
                mix(upper, lower, down)
            }
        }
    }

    fn texel(&self, x: i64, y: i64) -> [f32; 4] {
        let x = wrap(x, self.width, self.options.wrap_mode);
        let y = wrap(y, self.height, self.options.wrap_mode);
        self.texels
            .get(y * self.width + x)
            .map_or([0.0; 4], |colour| {
                colour.to_array().map(|part| f32::from(part) / 255.0)
            })
    }
}

/// Table 8.20 of the OpenGL specification: the texel that stands for `index` on an axis of `size`
/// texels.
fn wrap(index: i64, size: usize, mode: TextureWrapMode) -> usize {
    let size = i64::try_from(size.max(1)).unwrap_or(1);
    let index = match mode {
        TextureWrapMode::ClampToEdge => index.clamp(0, size - 1),
        TextureWrapMode::Repeat => index.rem_euclid(size),
        TextureWrapMode::MirroredRepeat => {
            let within = index.rem_euclid(2 * size);
            within.min(2 * size - 1 - within)
        }
    };
    usize::try_from(index).unwrap_or(0)
}

fn mix(from: [f32; 4], to: [f32; 4], share: f32) -> [f32; 4] {
    std::array::from_fn(|part| from[part] + (to[part] - from[part]) * share)
}
