//! The colours and text sizes of the editor, dark and light.
//!
//! The hues are those of Okabe and Ito, "Color universal design" (2008), told apart with every
//! common kind of colour vision, and each means one thing wherever it appears. Where a hue is too
//! pale for the light theme, its darker neighbour of the same palette stands in, darkened until it
//! can be read and told from the others without red or without green.

use std::sync::Arc;

use egui::{
    Color32, CornerRadius, FontData, FontDefinitions, FontFamily, FontId, Stroke, Style, TextStyle,
    Visuals, vec2,
};

/// No text is smaller than this, whatever the scale, in pixels of an ordinary screen.
const LEAST_PX: f32 = 11.0;
/// Axis figures and units, in points: the smallest text there is.
pub const SMALL_PT: f32 = 11.0;
/// Names of values and panels, in points.
pub const LABEL_PT: f32 = 12.5;
/// Running text, buttons and table values, in points.
pub const BODY_PT: f32 = 14.0;
/// The value of a control, in points.
pub const VALUE_PT: f32 = 16.0;
/// The few figures to be read from two metres, in points.
pub const FIGURE_PT: f32 = 40.0;

/// Corner radius of panels and buttons, in points.
pub const RADIUS: u8 = 4;

/// What a value or a mark belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Signal {
    /// What comes in.
    Input,
    /// The push through clean limiting alone.
    Clean,
    /// What goes out.
    Output,
}

impl Signal {
    /// All of them, in reading order.
    pub const ALL: [Self; 3] = [Self::Input, Self::Clean, Self::Output];
}

/// One hue in its three uses.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hue {
    /// Marks, curves and filled buttons.
    pub mark: Color32,
    /// Text in the hue, on any surface of the theme.
    pub text: Color32,
    /// Text written over `mark`.
    pub over: Color32,
}

/// The colours of one theme.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Colours {
    /// Whether light text stands on dark ground.
    pub dark: bool,
    /// Behind the panels.
    pub background: Color32,
    /// The panels.
    pub panel: Color32,
    /// Plot areas within panels.
    pub well: Color32,
    /// Buttons and other faces to press.
    pub face: Color32,
    /// Grid lines, to be seen only when looked for.
    pub grid: Color32,
    /// The unfilled part of a value track, and frames.
    pub track: Color32,
    /// The filled part of a value track.
    pub level: Color32,
    /// How strong a hue is where it tells of what is past or ahead: share of it over the ground.
    pub behind: f32,
    /// Values and headings.
    pub text: Color32,
    /// Names, units and axis figures.
    pub label: Color32,
    /// Input, grey.
    pub input: Hue,
    /// Clean, blue.
    pub clean: Hue,
    /// Output, orange.
    pub output: Hue,
    /// The target window, yellow.
    pub window: Hue,
    /// The reference, green.
    pub reference: Hue,
    /// What is to be minded: a rise, what else than the output is recorded or heard, what is over or
    /// broken; purple.
    pub caution: Hue,
}

/// Gives every egui widget of `ctx` the colours and sizes of both themes, between which egui picks,
/// and the fonts.
pub fn install(ctx: &egui::Context) {
    // The scale is the session's; egui's own keys would change it unseen.
    ctx.options_mut(|options| options.zoom_with_keyboard = false);
    scale(ctx, 1.0);
    ctx.set_fonts(fonts());
}

/// Draws `ctx` at a scale (1 for 100 %), in which no text gets too small.
pub fn scale(ctx: &egui::Context, zoom: f32) {
    ctx.set_zoom_factor(zoom);
    ctx.set_style_of(egui::Theme::Dark, Colours::DARK.style(zoom));
    ctx.set_style_of(egui::Theme::Light, Colours::LIGHT.style(zoom));
}

/// The editor's font at a size in points, or what is still legible at the scale of `ctx`.
pub fn font(ctx: &egui::Context, size_pt: f32) -> FontId {
    FontId::proportional(legible(size_pt, ctx.zoom_factor()))
}

/// A size that is no smaller than [`LEAST_PX`] pixels of an ordinary screen at a scale.
fn legible(size_pt: f32, zoom: f32) -> f32 {
    size_pt.max(LEAST_PX / zoom)
}

/// One family in one weight that can be read when small, and behind it, for the marks it lacks, the
/// fonts that egui brings along.
fn fonts() -> FontDefinitions {
    const NAME: &str = "Noto Sans";
    let mut fonts = FontDefinitions::default();
    let data = FontData::from_static(notosans::REGULAR_TTF);
    fonts.font_data.insert(NAME.into(), Arc::new(data));
    let spare = fonts
        .families
        .get(&FontFamily::Monospace)
        .cloned()
        .unwrap_or_default();
    let family = fonts.families.entry(FontFamily::Proportional).or_default();
    family.insert(0, NAME.into());
    for name in spare {
        if !family.contains(&name) {
            family.push(name);
        }
    }
    fonts
}

const INK: Color32 = Color32::from_rgb(0x10, 0x12, 0x16);

impl Colours {
    /// Light on dark, the default.
    pub const DARK: Self = Self {
        dark: true,
        background: Color32::from_rgb(0x13, 0x15, 0x19),
        panel: Color32::from_rgb(0x1C, 0x1E, 0x25),
        well: Color32::from_rgb(0x15, 0x17, 0x1C),
        face: Color32::from_rgb(0x27, 0x2A, 0x33),
        grid: Color32::from_rgb(0x29, 0x2C, 0x35),
        track: Color32::from_rgb(0x3A, 0x3E, 0x4A),
        level: Color32::from_rgb(0xA3, 0xAB, 0xBA),
        behind: 0.68,
        text: Color32::from_rgb(0xF0, 0xF1, 0xF5),
        label: Color32::from_rgb(0xA6, 0xAD, 0xBA),
        input: Hue::plain(Color32::from_rgb(0xC2, 0xC6, 0xCF), INK),
        clean: Hue::plain(Color32::from_rgb(0x56, 0xB4, 0xE9), INK),
        output: Hue::plain(Color32::from_rgb(0xE6, 0x9F, 0x00), INK),
        window: Hue::plain(Color32::from_rgb(0xF0, 0xE4, 0x42), INK),
        reference: Hue {
            mark: Color32::from_rgb(0x00, 0x9E, 0x73),
            text: Color32::from_rgb(0x3C, 0xC4, 0x9C),
            over: INK,
        },
        caution: Hue::plain(Color32::from_rgb(0xCC, 0x79, 0xA7), INK),
    };

    /// Dark on light, for bright rooms.
    pub const LIGHT: Self = Self {
        dark: false,
        background: Color32::from_rgb(0xE9, 0xEB, 0xEE),
        panel: Color32::from_rgb(0xF8, 0xF9, 0xFA),
        well: Color32::from_rgb(0xFF, 0xFF, 0xFF),
        face: Color32::from_rgb(0xDC, 0xE0, 0xE6),
        grid: Color32::from_rgb(0xE2, 0xE5, 0xE9),
        track: Color32::from_rgb(0xCB, 0xD0, 0xD7),
        level: Color32::from_rgb(0x5B, 0x63, 0x70),
        behind: 0.78,
        text: Color32::from_rgb(0x14, 0x17, 0x1C),
        label: Color32::from_rgb(0x4D, 0x55, 0x61),
        input: Hue::plain(Color32::from_rgb(0x57, 0x5E, 0x6A), Color32::WHITE),
        clean: Hue {
            mark: Color32::from_rgb(0x00, 0x72, 0xB2),
            text: Color32::from_rgb(0x00, 0x66, 0xA0),
            over: Color32::WHITE,
        },
        output: Hue::plain(Color32::from_rgb(0x9E, 0x3C, 0x00), Color32::WHITE),
        window: Hue {
            mark: Color32::from_rgb(0x8F, 0x8A, 0x00),
            text: Color32::from_rgb(0x64, 0x60, 0x00),
            over: INK,
        },
        reference: Hue::plain(Color32::from_rgb(0x00, 0x6B, 0x4E), Color32::WHITE),
        caution: Hue::plain(Color32::from_rgb(0x8C, 0x2F, 0x66), Color32::WHITE),
    };

    /// The theme that goes with the style in use.
    pub const fn of(visuals: &Visuals) -> &'static Self {
        if visuals.dark_mode {
            &Self::DARK
        } else {
            &Self::LIGHT
        }
    }

    /// The hue of `signal`.
    pub const fn hue(&self, signal: Signal) -> Hue {
        match signal {
            Signal::Input => self.input,
            Signal::Clean => self.clean,
            Signal::Output => self.output,
        }
    }

    /// The wash inside the target window, translucent so that curves show through.
    pub fn window_wash(&self) -> Color32 {
        Color32::from_rgb(0xF0, 0xE4, 0x42).gamma_multiply(if self.dark { 0.12 } else { 0.25 })
    }

    /// This theme as an egui style: flat faces, no frames but the one around what has the keyboard.
    pub fn style(&self, zoom: f32) -> Style {
        let text_styles = [
            (TextStyle::Small, FontId::proportional(SMALL_PT)),
            (TextStyle::Body, FontId::proportional(BODY_PT)),
            (TextStyle::Button, FontId::proportional(BODY_PT)),
            (TextStyle::Heading, FontId::proportional(VALUE_PT)),
            (TextStyle::Monospace, FontId::monospace(SMALL_PT)),
        ]
        .map(|(style, font)| (style, FontId::new(legible(font.size, zoom), font.family)));
        let mut style = Style {
            text_styles: text_styles.into(),
            visuals: self.visuals(),
            ..Style::default()
        };
        style.spacing.item_spacing = vec2(8.0, 6.0);
        style.spacing.button_padding = vec2(10.0, 4.0);
        style.spacing.interact_size.y = 24.0;
        style
    }

    fn visuals(&self) -> Visuals {
        let mut visuals = if self.dark {
            Visuals::dark()
        } else {
            Visuals::light()
        };
        let widgets = &mut visuals.widgets;
        for (state, face, text, frame) in [
            (
                &mut widgets.noninteractive,
                self.panel,
                self.label,
                Stroke::NONE,
            ),
            (&mut widgets.inactive, self.face, self.text, Stroke::NONE),
            (&mut widgets.hovered, self.track, self.text, Stroke::NONE),
            (
                &mut widgets.active,
                self.track,
                self.text,
                Stroke::new(1.5, self.level),
            ),
            (&mut widgets.open, self.track, self.text, Stroke::NONE),
        ] {
            state.weak_bg_fill = face;
            // Ticks and slider rails, which have no frame to be seen by.
            state.bg_fill = self.track;
            state.fg_stroke = Stroke::new(1.0, text);
            state.bg_stroke = frame;
            state.corner_radius = CornerRadius::same(RADIUS);
            state.expansion = 0.0;
        }
        widgets.noninteractive.bg_stroke = Stroke::new(1.0, self.grid);
        visuals.weak_text_color = Some(self.label);
        visuals.selection.bg_fill = self.track;
        visuals.selection.stroke = Stroke::new(1.0, self.text);
        visuals.hyperlink_color = self.clean.text;
        visuals.warn_fg_color = self.output.text;
        visuals.error_fg_color = self.output.text;
        visuals.faint_bg_color = self.well;
        visuals.extreme_bg_color = self.well;
        visuals.panel_fill = self.background;
        visuals.window_fill = self.panel;
        visuals.window_stroke = Stroke::new(1.0, self.track);
        visuals.window_corner_radius = CornerRadius::same(RADIUS);
        visuals.menu_corner_radius = CornerRadius::same(RADIUS);
        visuals
    }
}

impl Hue {
    /// A hue that serves as text as it is.
    const fn plain(mark: Color32, over: Color32) -> Self {
        Self {
            mark,
            text: mark,
            over,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 61966-2-1: a part of an sRGB colour as linear light.
    fn linear(part: u8) -> f64 {
        let part = f64::from(part) / 255.0;
        if part <= 0.04045 {
            part / 12.92
        } else {
            ((part + 0.055) / 1.055).powf(2.4)
        }
    }

    /// WCAG 2.2, definition of relative luminance.
    fn luminance(colour: Color32) -> f64 {
        let [red, green, blue] = [colour.r(), colour.g(), colour.b()].map(linear);
        0.2126 * red + 0.7152 * green + 0.0722 * blue
    }

    /// WCAG 2.2, definition of contrast ratio.
    fn contrast(one: Color32, other: Color32) -> f64 {
        let (one, other) = (luminance(one), luminance(other));
        (one.max(other) + 0.05) / (one.min(other) + 0.05)
    }

    fn hues(theme: &Colours) -> [Hue; 6] {
        [
            theme.input,
            theme.clean,
            theme.output,
            theme.window,
            theme.reference,
            theme.caution,
        ]
    }

    #[test]
    fn contrast_runs_from_1_to_21() {
        assert!((contrast(Color32::BLACK, Color32::WHITE) - 21.0).abs() < 1e-9);
        assert!((contrast(Color32::GRAY, Color32::GRAY) - 1.0).abs() < 1e-9);
    }

    /// WCAG 2.2, success criterion 1.4.3.
    #[test]
    fn text_stands_out_from_every_surface_by_4_5() {
        for theme in [Colours::DARK, Colours::LIGHT] {
            let texts = hues(&theme).map(|hue| hue.text);
            for surface in [theme.background, theme.panel, theme.well, theme.face] {
                for text in texts.into_iter().chain([theme.text, theme.label]) {
                    let ratio = contrast(text, surface);
                    assert!(ratio >= 4.5, "{text:?} on {surface:?}: {ratio:.2}");
                }
            }
            for hue in hues(&theme) {
                let ratio = contrast(hue.over, hue.mark);
                assert!(ratio >= 4.5, "{hue:?}: {ratio:.2}");
            }
            // Hovered and pressed widgets.
            assert!(contrast(theme.text, theme.track) >= 4.5);
        }
    }

    /// WCAG 2.2, success criterion 1.4.11: what is not text but must be seen.
    #[test]
    fn marks_stand_out_from_plots_and_panels_by_3() {
        for theme in [Colours::DARK, Colours::LIGHT] {
            let marks = hues(&theme).map(|hue| hue.mark);
            for surface in [theme.background, theme.panel, theme.well] {
                for mark in marks.into_iter().chain([theme.level]) {
                    let ratio = contrast(mark, surface);
                    assert!(ratio >= 3.0, "{mark:?} on {surface:?}: {ratio:.2}");
                }
            }
            let ratio = contrast(theme.level, theme.track);
            assert!(
                ratio >= 3.0,
                "a track's filled part against the rest: {ratio:.2}"
            );
        }
    }

    /// Okabe and Ito 2008, the table of the palette.
    #[test]
    fn the_hues_are_the_published_ones() {
        let of = |red, green, blue| Color32::from_rgb(red, green, blue);
        assert_eq!(Colours::DARK.output.mark, of(230, 159, 0));
        assert_eq!(Colours::DARK.clean.mark, of(86, 180, 233));
        assert_eq!(Colours::DARK.window.mark, of(240, 228, 66));
        assert_eq!(Colours::LIGHT.clean.mark, of(0, 114, 178));
        assert_eq!(Colours::DARK.reference.mark, of(0, 158, 115));
        assert_eq!(Colours::DARK.caution.mark, of(204, 121, 167));
    }

    /// WCAG 2.2, success criteria 1.4.3 and 1.4.11, for what is composed of two colours.
    #[test]
    fn what_shines_through_can_still_be_told() {
        for theme in [Colours::DARK, Colours::LIGHT] {
            for ground in [theme.well, theme.well.blend(theme.window_wash())] {
                for signal in Signal::ALL {
                    // Trails, rails and the bars of what has been pushed already.
                    let faded = theme
                        .well
                        .lerp_to_gamma(theme.hue(signal).mark, theme.behind);
                    let ratio = contrast(faded, ground);
                    assert!(ratio >= 3.0, "{signal:?} faded: {ratio:.2}");
                    let ratio = contrast(theme.hue(signal).text, ground);
                    assert!(ratio >= 4.5, "{signal:?} written: {ratio:.2}");
                }
                for text in [theme.text, theme.label, theme.window.text] {
                    let ratio = contrast(text, ground);
                    assert!(ratio >= 4.5, "{text:?}: {ratio:.2}");
                }
                let ratio = contrast(theme.window.mark, ground);
                assert!(ratio >= 3.0, "the window's edge: {ratio:.2}");
            }
        }
    }

    #[test]
    fn no_text_is_smaller_than_eleven_pixels() {
        for theme in [Colours::DARK, Colours::LIGHT] {
            for zoom in [0.75, 1.0, 2.0] {
                for (name, font) in theme.style(zoom).text_styles {
                    assert!(font.size * zoom >= 10.999, "{name:?} at {zoom}");
                }
            }
        }
        assert!(legible(SMALL_PT, 0.75) * 0.75 >= 10.999);
    }
}
