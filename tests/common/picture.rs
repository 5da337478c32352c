//! Draws egui frames on the CPU, so that a picture of the editor is the same on every machine and needs no system package.
//!
//! It follows the conventions of egui's OpenGL painter: vertex colours times texture in gamma space, premultiplied alpha blended
//! into eight bits per channel, scissor rectangles rounded to whole pixels. Left out: dithering and mipmaps (neither would make a
//! picture easier to compare) and paint callbacks (they are OpenGL code; the editor has none).
//!
//! The file stands alone: a program outside the tests may include it by path, given the crates `egui`, `egui_kittest` and `image`.

#![allow(
    dead_code,
    reason = "each program that includes this file uses part of it"
)]

#[path = "picture/raster.rs"]
mod raster;
#[path = "picture/texture.rs"]
mod texture;

use std::collections::HashMap;

use egui::epaint::{ClippedPrimitive, ImageDelta, Primitive};
use egui::{Context, FullOutput, Pos2, RawInput, Rect, TextureId, TexturesDelta, Ui, Vec2};
use image::RgbaImage;
use raster::{Canvas, Corner};
use texture::Texture;

/// Holds the textures of one egui context and draws its frames.
#[derive(Default)]
pub struct Picture {
    textures: HashMap<TextureId, Texture>,
}

impl Picture {
    /// Draws one frame: takes its new textures, paints it over transparent black, drops what it frees.
    ///
    /// Frames of a context must all pass through the same `Picture`, as later ones only carry what changed in the textures.
    /// The picture measures `content_rect × pixels_per_point` and holds premultiplied colours, which are the plain ones wherever
    /// the frame covers its background.
    pub fn frame(&mut self, ctx: &Context, mut output: FullOutput) -> RgbaImage {
        self.set_textures(&mut output.textures_delta);
        let pixels_per_point = output.pixels_per_point;
        let primitives = ctx.tessellate(std::mem::take(&mut output.shapes), pixels_per_point);
        let picture = self.paint(size_px(ctx), pixels_per_point, &primitives);
        self.free_textures(&mut output.textures_delta);
        picture
    }

    /// Paints tessellated shapes over transparent black, `size_px` being width and height in physical pixels.
    ///
    /// A mesh whose texture is unknown is left out, as egui's own painters do.
    pub fn paint(
        &self,
        size_px: [u32; 2],
        pixels_per_point: f32,
        primitives: &[ClippedPrimitive],
    ) -> RgbaImage {
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
        canvas.into_image()
    }

    fn set_textures(&mut self, delta: &mut TexturesDelta) {
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

    fn free_textures(&mut self, delta: &mut TexturesDelta) {
        for id in delta.free.drain() {
            self.textures.remove(&id);
        }
    }
}

impl egui_kittest::TestRenderer for Picture {
    fn handle_delta(&mut self, delta: &mut TexturesDelta) {
        self.set_textures(delta);
        self.free_textures(delta);
    }

    fn render(&mut self, ctx: &Context, output: &FullOutput) -> Result<RgbaImage, String> {
        let primitives = ctx.tessellate(output.shapes.clone(), output.pixels_per_point);
        Ok(self.paint(size_px(ctx), output.pixels_per_point, &primitives))
    }
}

/// Lays `ui` out on a fresh context of `size_points` and draws the third pass, by which time sizes learnt in the first have
/// settled.
pub fn picture_of(
    size_points: Vec2,
    pixels_per_point: f32,
    mut ui: impl FnMut(&mut Ui),
) -> RgbaImage {
    let ctx = Context::default();
    let mut picture = Picture::default();
    let pass = |seconds: f64| {
        let mut input = RawInput {
            screen_rect: Some(Rect::from_min_size(Pos2::ZERO, size_points)),
            time: Some(seconds),
            ..RawInput::default()
        };
        if let Some(viewport) = input.viewports.get_mut(&input.viewport_id) {
            viewport.native_pixels_per_point = Some(pixels_per_point);
        }
        picture.frame(&ctx, ctx.run_ui(input, &mut ui))
    };
    // Seconds apart, so that no animation is caught half-way.
    let [.., last] = [0.0, 10.0, 20.0].map(pass);
    last
}

fn size_px(ctx: &Context) -> [u32; 2] {
    let size = ctx.content_rect().size() * ctx.pixels_per_point();
    [size.x, size.y].map(raster::whole)
}
