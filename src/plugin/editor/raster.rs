//! Draws egui frames on the CPU: the picture of the history that is saved, and the pictures that
//! the tests compare.
//!
//! It follows the conventions of egui's OpenGL painter: vertex colours times texture in gamma
//! space, premultiplied alpha blended into eight bits per channel, scissor rectangles rounded to
//! whole pixels. Left out: dithering and mipmaps (neither would make a picture easier to compare)
//! and paint callbacks (they are OpenGL code; the editor has none). The same frame is the same
//! picture on every machine, and no window or system package is needed for it.

mod canvas;
mod texture;

use std::collections::HashMap;

use egui::epaint::{ClippedPrimitive, ImageDelta, Primitive};
use egui::{Context, FullOutput, TextureId, TexturesDelta};

use self::canvas::{Canvas, Corner};
use self::texture::Texture;

/// Holds the textures of one egui context and draws its frames.
#[derive(Default)]
pub struct Raster {
    textures: HashMap<TextureId, Texture>,
}

impl Raster {
    /// Draws one frame, of the size that [`size_px`] tells: takes its new textures, paints it over
    /// transparent black, drops what it frees. Returns red, green, blue and alpha of each pixel,
    /// premultiplied, in rows from the top.
    ///
    /// Frames of a context must all pass through the same `Raster`, as later ones only carry what
    /// changed in the textures.
    pub fn frame(&mut self, ctx: &Context, mut output: FullOutput) -> Vec<u8> {
        self.set_textures(&mut output.textures_delta);
        let pixels_per_point = output.pixels_per_point;
        let primitives = ctx.tessellate(std::mem::take(&mut output.shapes), pixels_per_point);
        let picture = self.paint(size_px(ctx), pixels_per_point, &primitives);
        self.free_textures(&mut output.textures_delta);
        picture
    }

    /// Paints tessellated shapes over transparent black, `size_px` being width and height in
    /// physical pixels. Returns bytes as [`frame`](Self::frame) does.
    ///
    /// A mesh whose texture is unknown is left out, as egui's own painters do.
    pub fn paint(
        &self,
        size_px: [u32; 2],
        pixels_per_point: f32,
        primitives: &[ClippedPrimitive],
    ) -> Vec<u8> {
        let mut canvas = Canvas::new(size_px);
        for ClippedPrimitive {
            clip_rect,
            primitive,
        } in primitives
        {
            let Primitive::Mesh(mesh) = primitive else {
                continue;
            };
            let Some(texture) = self.textures.get(&mesh.texture_id) else {
                continue;
            };
            canvas.set_clip(*clip_rect * pixels_per_point);
            for triangle in mesh.triangles() {
                let corners = triangle.map(|index| {
                    mesh.vertices
                        .get(index as usize)
                        .map(|vertex| Corner::new(vertex, pixels_per_point))
                });
                if let [Some(a), Some(b), Some(c)] = corners {
                    canvas.triangle([a, b, c], texture);
                }
            }
        }
        canvas.into_bytes()
    }

    /// Takes new and changed textures.
    pub fn set_textures(&mut self, delta: &mut TexturesDelta) {
        for (id, images) in delta.set.drain() {
            for ImageDelta {
                image,
                options,
                pos,
            } in images
            {
                let egui::ImageData::Color(image) = image;
                match pos {
                    None => {
                        self.textures.insert(id, Texture::new(&image, options));
                    }
                    Some(corner) => {
                        if let Some(texture) = self.textures.get_mut(&id) {
                            texture.update(corner, &image);
                        }
                    }
                }
            }
        }
    }

    /// Drops textures that are not used any more.
    pub fn free_textures(&mut self, delta: &mut TexturesDelta) {
        for id in delta.free.drain() {
            self.textures.remove(&id);
        }
    }
}

/// Width and height of a context's frame in physical pixels.
pub fn size_px(ctx: &Context) -> [u32; 2] {
    let size = ctx.content_rect().size() * ctx.pixels_per_point();
    #[expect(
        clippy::cast_sign_loss,
        reason = "a float becomes an integer by saturating, below zero too"
    )]
    [size.x, size.y].map(|px| px.round() as u32)
}
