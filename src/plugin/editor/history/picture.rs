//! The strip as a picture of its own, for a file.

use egui::{Align2, Context, Pos2, RawInput, Rect, Theme, Ui, pos2, vec2};

use super::lanes::Lanes;
use super::legend::legend;
use super::strip::{Strip, Subject};
use crate::editor::raster::{Raster, size_px};
use crate::editor::scene::{self, label};
use crate::editor::theme::{self, VALUE_PT};
use crestline_core::session::{History, Span, TargetWindow};

/// Width and height of the picture, points.
const SIZE: egui::Vec2 = vec2(1_200.0, 360.0);
/// Pixels a point: sharp on paper too.
const PIXELS_PER_POINT: f32 = 2.0;
const MARGIN: f32 = 24.0;
/// Where the curves begin, below title and legend, points.
const HEAD: f32 = 66.0;

/// Everything that a picture of the strip is made from. It is drawn by the code that draws the
/// strip in the window, on a canvas of its own, on any thread.
#[derive(Clone, Debug)]
pub struct Picture {
    /// What has been measured over time.
    pub history: History,
    /// The stretch shown.
    pub span: Span,
    /// The window that is shaded.
    pub target: TargetWindow,
    /// True peak that counts as passed, dBTP.
    pub ceiling_dbtp: f64,
    /// Light or dark.
    pub theme: Theme,
    /// What stands beside the title.
    pub caption: String,
}

impl Picture {
    /// Draws the picture and encodes it as PNG: 2400 by 720 pixels, eight bits a channel.
    ///
    /// # Errors
    /// What the encoder says; it has no reason to fail on a picture of this size.
    pub fn png(&self) -> Result<Vec<u8>, png::EncodingError> {
        let ctx = Context::default();
        theme::install(&ctx);
        ctx.set_theme(self.theme);
        let mut input = RawInput {
            screen_rect: Some(Rect::from_min_size(Pos2::ZERO, SIZE)),
            ..RawInput::default()
        };
        if let Some(viewport) = input.viewports.get_mut(&input.viewport_id) {
            viewport.native_pixels_per_point = Some(PIXELS_PER_POINT);
        }
        let mut raster = Raster::default();
        let output = ctx.run_ui(input, |ui| self.draw(ui));
        let pixels = raster.frame(&ctx, output);
        let [width, height] = size_px(&ctx);
        let mut bytes = Vec::new();
        let mut encoder = png::Encoder::new(&mut bytes, width, height);
        // The background covers everything, so no alpha is left to tell.
        encoder.set_color(png::ColorType::Rgb);
        encoder.add_itxt_chunk("Software".into(), "Crestline".into())?;
        let opaque: Vec<u8> = pixels
            .chunks_exact(4)
            .flat_map(|pixel| pixel.iter().take(3).copied())
            .collect();
        let mut writer = encoder.write_header()?;
        writer.write_image_data(&opaque)?;
        writer.finish()?;
        Ok(bytes)
    }

    fn draw(&self, ui: &Ui) {
        let colours = scene::colours(ui);
        let painter = ui.painter();
        painter.rect_filled(Rect::EVERYTHING, 0, colours.panel);
        let room = Rect::from_min_size(Pos2::ZERO, SIZE).shrink(MARGIN);
        let top = room.left_top() + vec2(0.0, 8.0);
        let title = "Loudness over time";
        scene::text(
            painter,
            top,
            Align2::LEFT_CENTER,
            title,
            VALUE_PT,
            colours.text,
        );
        let right = pos2(room.right(), top.y);
        label(
            painter,
            right,
            Align2::RIGHT_CENTER,
            &self.caption,
            colours.label,
        );
        let at = top + vec2(0.0, 26.0);
        let subject = Subject {
            target: &self.target,
            ceiling_dbtp: self.ceiling_dbtp,
        };
        legend(painter, at, room.right(), &subject, colours);
        let lanes = Lanes::of(room.with_min_y(HEAD));
        #[expect(clippy::cast_sign_loss, reason = "a width is not negative")]
        let width_px = (lanes.whole.width() * PIXELS_PER_POINT) as usize;
        let mut strip = Strip::default();
        strip.read(&self.history, self.span, width_px, 0.0);
        strip.settle();
        strip.paint(painter, &lanes, self.span, subject, colours);
    }
}
