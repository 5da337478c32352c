//! Pictures of egui's frames, drawn on the CPU by the editor's own [`raster`], so that they are the
//! same on every machine and need no system package.
//!
//! [`raster`]: crestline_plugin::editor::raster

use crestline_plugin::editor::raster::{Raster, size_px};
use egui::epaint::ClippedPrimitive;
use egui::{Context, FullOutput, Pos2, RawInput, Rect, TexturesDelta, Ui, Vec2};
use image::RgbaImage;

/// Holds the textures of one egui context and draws its frames.
#[derive(Default)]
pub struct Picture {
    raster: Raster,
}

impl Picture {
    /// Draws one frame: takes its new textures, paints it over transparent black, drops what it
    /// frees.
    ///
    /// Frames of a context must all pass through the same `Picture`, as later ones only carry what
    /// changed in the textures. The picture measures `content_rect × pixels_per_point` and holds
    /// premultiplied colours, which are the plain ones wherever the frame covers its background.
    pub fn frame(&mut self, ctx: &Context, output: FullOutput) -> RgbaImage {
        let size_px = size_px(ctx);
        image(size_px, self.raster.frame(ctx, output))
    }

    /// Paints tessellated shapes over transparent black, `size_px` being width and height in
    /// physical pixels.
    pub fn paint(
        &self,
        size_px: [u32; 2],
        pixels_per_point: f32,
        primitives: &[ClippedPrimitive],
    ) -> RgbaImage {
        image(
            size_px,
            self.raster.paint(size_px, pixels_per_point, primitives),
        )
    }
}

fn image([width, height]: [u32; 2], bytes: Vec<u8>) -> RgbaImage {
    RgbaImage::from_raw(width, height, bytes).unwrap_or_default()
}

impl egui_kittest::TestRenderer for Picture {
    fn handle_delta(&mut self, delta: &mut TexturesDelta) {
        self.raster.set_textures(delta);
        self.raster.free_textures(delta);
    }

    fn render(&mut self, ctx: &Context, output: &FullOutput) -> Result<RgbaImage, String> {
        let primitives = ctx.tessellate(output.shapes.clone(), output.pixels_per_point);
        Ok(self.paint(size_px(ctx), output.pixels_per_point, &primitives))
    }
}

/// Lays `ui` out on a fresh context of `size_points` and draws the third pass, by which time sizes
/// learnt in the first have settled.
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
