//! The CPU picture of egui frames keeps the rules it stands on: those of OpenGL 4.6 (core profile),
//! which egui's own painter relies on, and the blending of Porter and Duff, "Compositing digital
//! images" (1984).

use egui::epaint::{ClippedPrimitive, ImageDelta, Mesh, Primitive, Vertex};
use egui::{
    Color32, ColorImage, FontId, Pos2, Rect, TextureFilter, TextureId, TextureOptions, Vec2, pos2,
    vec2,
};
use egui_kittest::TestRenderer;
use image::RgbaImage;
use rig::picture::{Picture, picture_of};

const WHITE: TextureId = TextureId::Managed(0);
const OTHER: TextureId = TextureId::Managed(1);
const EVERYWHERE: Rect = Rect::EVERYTHING;

fn with_texture(picture: &mut Picture, id: TextureId, delta: ImageDelta) {
    let mut textures = egui::TexturesDelta::default();
    textures.push(id, delta);
    picture.handle_delta(&mut textures);
}

/// A renderer whose first texture is a white texel, as egui's font texture has at its corner.
fn plain() -> Picture {
    let mut picture = Picture::default();
    let white = ColorImage::filled([1, 1], Color32::WHITE);
    with_texture(
        &mut picture,
        WHITE,
        ImageDelta::full(white, TextureOptions::LINEAR),
    );
    picture
}

fn primitive(mesh: Mesh, clip_rect: Rect) -> ClippedPrimitive {
    ClippedPrimitive {
        clip_rect,
        primitive: Primitive::Mesh(mesh),
    }
}

fn rectangle(rect: Rect, colour: Color32) -> Mesh {
    let mut mesh = Mesh::default();
    mesh.add_colored_rect(rect, colour);
    mesh
}

fn draw(size: [u32; 2], meshes: impl IntoIterator<Item = Mesh>) -> RgbaImage {
    let primitives: Vec<_> = meshes
        .into_iter()
        .map(|mesh| primitive(mesh, EVERYWHERE))
        .collect();
    plain().paint(size, 1.0, &primitives)
}

fn premultiplied(red: u8, green: u8, blue: u8, alpha: u8) -> Color32 {
    Color32::from_rgba_premultiplied(red, green, blue, alpha)
}

/// A fixed sequence of numbers from 0 to 1 (the multiplier is the one of Knuth's MMIX generator).
fn scattered(state: &mut u64) -> f32 {
    *state = state
        .wrapping_mul(6364136223846793005)
        .wrapping_add(1442695040888963407);
    (*state >> 40) as f32 / (1_u64 << 24) as f32
}

/// Section 14.6.1: a polygon covers the pixels whose centre lies inside. Of the edges through a
/// centre (the third rectangle has them left and below) the left and top ones hold it, so that
/// rectangles side by side share none.
#[test]
fn a_rectangle_covers_the_pixels_whose_centres_it_holds() {
    for (rect, pixels_per_point) in [
        (Rect::from_min_max(pos2(3.0, 2.0), pos2(10.0, 7.0)), 1.0),
        (Rect::from_min_max(pos2(2.3, 0.6), pos2(5.7, 9.4)), 1.0),
        (Rect::from_min_max(pos2(1.25, 1.0), pos2(4.5, 3.75)), 2.0),
        (Rect::from_min_max(pos2(1.0, 2.0), pos2(6.5, 5.0)), 1.5),
    ] {
        let mesh = rectangle(rect, Color32::WHITE);
        let image = plain().paint([16, 12], pixels_per_point, &[primitive(mesh, EVERYWHERE)]);
        for (x, y, pixel) in image.enumerate_pixels() {
            let centre = pos2(x as f32 + 0.5, y as f32 + 0.5) / pixels_per_point;
            let inside = (rect.left()..rect.right()).contains(&centre.x)
                && (rect.top()..rect.bottom()).contains(&centre.y);
            let expected = if inside { [255; 4] } else { [0; 4] };
            assert_eq!(
                pixel.0, expected,
                "{rect:?} at {pixels_per_point}, pixel {x} {y}"
            );
        }
    }
}

/// Section 14.6.1: a centre on the common edge of two polygons is drawn by exactly one of them.
/// Corners fall on pixel centres and corners as often as between, and both windings occur.
#[test]
fn a_shared_edge_is_drawn_once() {
    let one = premultiplied(1, 0, 0, 0);
    let mut state = 1;
    for round in 0..300 {
        let mut coordinate = || {
            let free = 1.0 + 14.0 * scattered(&mut state);
            if round % 2 == 0 {
                (free * 2.0).round() / 2.0
            } else {
                free
            }
        };
        let hub = pos2(coordinate(), coordinate());
        let sides: [f32; 4] = std::array::from_fn(|_| coordinate());
        let rim = [
            pos2(0.0, 0.0),
            pos2(sides[0], 0.0),
            pos2(16.0, 0.0),
            pos2(16.0, sides[1]),
            pos2(16.0, 16.0),
            pos2(sides[2], 16.0),
            pos2(0.0, 16.0),
            pos2(0.0, sides[3]),
        ];
        let mut mesh = Mesh::default();
        mesh.colored_vertex(hub, one);
        for corner in rim {
            mesh.colored_vertex(corner, one);
        }
        for side in 0..8 {
            let (from, to) = (1 + side, 1 + (side + 1) % 8);
            if side % 2 == 0 {
                mesh.add_triangle(0, from, to);
            } else {
                mesh.add_triangle(0, to, from);
            }
        }
        let image = draw([16, 16], [mesh]);
        for (x, y, pixel) in image.enumerate_pixels() {
            assert_eq!(pixel.0, [1, 0, 0, 0], "hub {hub:?}, pixel {x} {y}");
        }
    }
}

/// Section 14.6.1, equation 14.9: values between the corners are weighted by area, so along a
/// rectangle they are linear.
#[test]
fn colours_change_linearly_between_corners() {
    let (width, height) = (200_u8, 30_u8);
    let (right, bottom) = (f32::from(width), f32::from(height));
    let mut mesh = Mesh::default();
    for (x, y, colour) in [
        (0.0, 0.0, premultiplied(0, 40, 0, 255)),
        (right, 0.0, premultiplied(255, 40, 0, 255)),
        (right, bottom, premultiplied(255, 40, 120, 255)),
        (0.0, bottom, premultiplied(0, 40, 120, 255)),
    ] {
        mesh.colored_vertex(pos2(x, y), colour);
    }
    mesh.add_triangle(0, 1, 2);
    mesh.add_triangle(0, 2, 3);
    let image = draw([width.into(), height.into()], [mesh]);
    for (x, y, pixel) in image.enumerate_pixels() {
        let red = 255.0 * (f64::from(x) + 0.5) / f64::from(width);
        let blue = 120.0 * (f64::from(y) + 0.5) / f64::from(height);
        // Half a step of rounding, and the float arithmetic where the exact value is a half.
        assert!(
            (f64::from(pixel[0]) - red).abs() <= 0.501,
            "{x} {y}: {pixel:?} against {red}"
        );
        assert!(
            (f64::from(pixel[2]) - blue).abs() <= 0.501,
            "{x} {y}: {pixel:?} against {blue}"
        );
        assert_eq!((pixel[1], pixel[3]), (40, 255));
    }
}

/// Porter and Duff 1984, "over" with premultiplied colours, in all four channels: S + (1 − αS) D.
#[test]
fn a_translucent_colour_lies_over_what_is_below() {
    let canvas = Rect::from_min_size(Pos2::ZERO, vec2(2.0, 2.0));
    for below in [
        premultiplied(200, 100, 0, 255),
        premultiplied(30, 60, 90, 120),
    ] {
        for alpha in 0..=255_u8 {
            // From half the colour an opaque one would have to an additive one, which has more
            // colour than alpha.
            let above = premultiplied(alpha / 2, alpha, alpha.saturating_add(40), alpha);
            let image = draw([2, 2], [rectangle(canvas, below), rectangle(canvas, above)]);
            let expected: [f64; 4] = std::array::from_fn(|part| {
                let (source, under) = (above.to_array()[part], below.to_array()[part]);
                let sum = f64::from(source) + (1.0 - f64::from(alpha) / 255.0) * f64::from(under);
                sum.min(255.0)
            });
            for pixel in image.pixels() {
                for (got, exact) in pixel.0.into_iter().zip(expected) {
                    assert!(
                        (f64::from(got) - exact).abs() <= 0.501,
                        "{above:?}: {got}, not {exact}"
                    );
                }
            }
        }
    }
}

/// Section 17.3.1, the scissor test; egui's OpenGL painter rounds the rectangle to whole physical
/// pixels.
#[test]
fn nothing_is_drawn_outside_the_clip_rectangle() {
    let clip = Rect::from_min_max(pos2(2.1, 1.3), pos2(6.4, 4.2));
    let mesh = rectangle(
        Rect::from_min_size(pos2(-50.0, -50.0), Vec2::splat(100.0)),
        Color32::WHITE,
    );
    let image = plain().paint([16, 12], 2.0, &[primitive(mesh, clip)]);
    for (x, y, pixel) in image.enumerate_pixels() {
        // 2 × (2.1, 1.3) = (4.2, 2.6) and 2 × (6.4, 4.2) = (12.8, 8.4), rounded.
        let inside = (4..13).contains(&x) && (3..8).contains(&y);
        assert_eq!(pixel.0, if inside { [255; 4] } else { [0; 4] }, "{x} {y}");
    }
}

#[test]
fn stray_triangles_are_left_out() {
    let mut mesh = rectangle(
        Rect::from_min_size(Pos2::ZERO, Vec2::splat(4.0)),
        Color32::WHITE,
    );
    mesh.colored_vertex(pos2(f32::NAN, 0.0), Color32::RED);
    mesh.colored_vertex(pos2(f32::INFINITY, 4.0), Color32::RED);
    mesh.add_triangle(0, 2, 4);
    mesh.add_triangle(0, 2, 5);
    mesh.add_triangle(1, 1, 2);
    mesh.add_triangle(0, 1, 99);
    let far = rectangle(
        Rect::from_min_size(pos2(1e30, -1e30), Vec2::splat(1e30)),
        Color32::RED,
    );
    assert!(
        draw([4, 4], [mesh, far])
            .pixels()
            .all(|pixel| pixel.0 == [255; 4])
    );
}

fn textured(rect: Rect, uv: Rect) -> ClippedPrimitive {
    let mut mesh = Mesh::with_texture(OTHER);
    mesh.add_rect_with_uv(rect, uv, Color32::WHITE);
    primitive(mesh, EVERYWHERE)
}

/// Section 8.14.3: with linear magnification the four nearest texels are weighted by distance, and
/// at the edge the edge texel stands for what lies beyond.
#[test]
fn a_magnified_texture_is_interpolated() {
    let greys = [0, 80, 160, 240];
    let mut picture = plain();
    let image = ColorImage::from_gray([4, 1], &greys);
    with_texture(
        &mut picture,
        OTHER,
        ImageDelta::full(image, TextureOptions::LINEAR),
    );
    let whole = Rect::from_min_max(Pos2::ZERO, pos2(1.0, 1.0));
    let rect = Rect::from_min_size(Pos2::ZERO, vec2(32.0, 3.0));
    let image = picture.paint([32, 3], 1.0, &[textured(rect, whole)]);
    for (x, _, pixel) in image.enumerate_pixels() {
        let texel = ((f64::from(x) + 0.5) / 8.0 - 0.5).clamp(0.0, 3.0);
        assert!(
            (f64::from(pixel[0]) - 80.0 * texel).abs() <= 0.51,
            "{x}: {pixel:?}"
        );
    }
}

/// Section 8.14.2 (nearest) and table 8.20 (repeat, mirrored repeat).
#[test]
fn a_repeated_texture_is_repeated() {
    let texels = [10_u8, 20, 30];
    let rect = Rect::from_min_size(Pos2::ZERO, vec2(12.0, 1.0));
    let uv = Rect::from_min_max(pos2(-1.0, 0.0), pos2(3.0, 1.0));
    for (options, expected) in [
        (
            TextureOptions::NEAREST,
            [10, 10, 10, 10, 20, 30, 30, 30, 30, 30, 30, 30],
        ),
        (
            TextureOptions::NEAREST_REPEAT,
            [10, 20, 30, 10, 20, 30, 10, 20, 30, 10, 20, 30],
        ),
        (
            TextureOptions::NEAREST_MIRRORED_REPEAT,
            [30, 20, 10, 10, 20, 30, 30, 20, 10, 10, 20, 30],
        ),
    ] {
        let mut picture = plain();
        let image = ColorImage::from_gray([3, 1], &texels);
        with_texture(&mut picture, OTHER, ImageDelta::full(image, options));
        let image = picture.paint([12, 1], 1.0, &[textured(rect, uv)]);
        let row: Vec<u8> = image.pixels().map(|pixel| pixel[0]).collect();
        assert_eq!(row, expected, "{options:?}");
    }
}

/// Section 8.14: the minifying filter is used where more than one texel falls on a pixel, the
/// magnifying one elsewhere.
#[test]
fn the_filter_follows_the_scale() {
    let options = TextureOptions {
        magnification: TextureFilter::Nearest,
        minification: TextureFilter::Linear,
        ..TextureOptions::LINEAR
    };
    let mut picture = plain();
    let image = ColorImage::from_gray([4, 4], &[0, 100, 0, 100].repeat(4));
    with_texture(&mut picture, OTHER, ImageDelta::full(image, options));
    let whole = Rect::from_min_max(Pos2::ZERO, pos2(1.0, 1.0));
    let values = |size: u16| {
        let rect = Rect::from_min_size(Pos2::ZERO, Vec2::splat(size.into()));
        let image = picture.paint([size.into(); 2], 1.0, &[textured(rect, whole)]);
        image.pixels().map(|pixel| pixel[0]).collect::<Vec<_>>()
    };
    assert!(
        values(2).iter().all(|&value| value == 50),
        "{:?}",
        values(2)
    );
    assert!(values(16).iter().all(|&value| value == 0 || value == 100));
}

#[test]
fn textures_are_changed_in_part_and_freed() {
    let mut picture = plain();
    let full = ColorImage::filled([4, 4], Color32::from_gray(50));
    let part = ColorImage::filled([2, 1], Color32::from_gray(200));
    with_texture(
        &mut picture,
        OTHER,
        ImageDelta::full(full, TextureOptions::NEAREST),
    );
    with_texture(
        &mut picture,
        OTHER,
        ImageDelta::partial([1, 2], part, TextureOptions::NEAREST),
    );
    let whole = Rect::from_min_max(Pos2::ZERO, pos2(1.0, 1.0));
    let mesh = textured(Rect::from_min_size(Pos2::ZERO, Vec2::splat(4.0)), whole);
    let primitives = [mesh];
    for (x, y, pixel) in picture.paint([4, 4], 1.0, &primitives).enumerate_pixels() {
        let expected = if y == 2 && (1..3).contains(&x) {
            200
        } else {
            50
        };
        assert_eq!(pixel[0], expected, "{x} {y}");
    }
    let mut freed = egui::TexturesDelta::default();
    freed.free(OTHER);
    picture.handle_delta(&mut freed);
    assert!(
        picture
            .paint([4, 4], 1.0, &primitives)
            .pixels()
            .all(|pixel| pixel.0 == [0; 4])
    );
}

/// A vertex colour multiplies the texture in gamma space, as in egui's fragment shader.
#[test]
fn a_texture_is_tinted() {
    let mut picture = plain();
    let image = ColorImage::filled([2, 2], premultiplied(120, 60, 30, 128));
    with_texture(
        &mut picture,
        OTHER,
        ImageDelta::full(image, TextureOptions::LINEAR),
    );
    let mut mesh = Mesh::with_texture(OTHER);
    for (x, y) in [(0.0, 0.0), (3.0, 0.0), (0.0, 3.0)] {
        mesh.vertices.push(Vertex {
            pos: pos2(x, y),
            uv: pos2(x / 3.0, y / 3.0),
            color: premultiplied(102, 204, 255, 204),
        });
    }
    mesh.add_triangle(0, 1, 2);
    let image = picture.paint([1, 1], 1.0, &[primitive(mesh, EVERYWHERE)]);
    // 120 × 0.4, 60 × 0.8, 30 × 1, 128 × 0.8 = 102.4.
    assert_eq!(image.get_pixel(0, 0).0, [48, 48, 30, 102]);
}

#[test]
fn text_is_drawn_inside_its_box() {
    let mut text_box = Rect::NOTHING;
    let size = vec2(200.0, 60.0);
    let image = picture_of(size, 1.5, |ui| {
        let at = pos2(20.0, 15.0);
        let font = FontId::proportional(20.0);
        text_box = ui.painter().text(
            at,
            egui::Align2::LEFT_TOP,
            "−14.2 LUFS",
            font,
            Color32::WHITE,
        );
    });
    assert_eq!(image.dimensions(), (300, 90));
    let mut inked = 0;
    for (x, y, pixel) in image.enumerate_pixels().filter(|(.., pixel)| pixel[3] > 0) {
        let at = pos2(x as f32 + 0.5, y as f32 + 0.5) / 1.5;
        assert!(
            text_box.expand(1.0).contains(at),
            "{at:?} outside {text_box:?}: {pixel:?}"
        );
        inked += usize::from(pixel[3] > 128);
    }
    // Ten characters of strokes: more than a line through the box, less than a block.
    let box_px = text_box.area() * 1.5 * 1.5;
    assert!(
        inked as f32 > 0.05 * box_px && (inked as f32) < 0.5 * box_px,
        "{inked} of {box_px}"
    );
}

/// Textures reach the renderer on another way there: collected before it exists, set and freed at
/// once.
#[test]
fn the_harness_draws_the_same_picture() {
    let ui = |ui: &mut egui::Ui| {
        let painter = ui.ctx().layer_painter(egui::LayerId::background());
        painter.rect_filled(EVERYWHERE, 0.0, Color32::from_gray(30));
        painter.circle_stroke(pos2(150.0, 20.0), 8.3, (1.5, Color32::LIGHT_BLUE));
        let font = FontId::proportional(14.0);
        painter.text(
            pos2(8.0, 8.0),
            egui::Align2::LEFT_TOP,
            "reduction −2.9 dB",
            font,
            Color32::GRAY,
        );
    };
    let size = vec2(180.0, 40.0);
    let mut harness = egui_kittest::Harness::builder()
        .with_size(size)
        .with_pixels_per_point(2.0)
        .renderer(Picture::default())
        .build_ui(ui);
    harness.run();
    let through_harness = harness.render().expect("the renderer cannot fail");
    let direct = picture_of(size, 2.0, ui);
    assert_eq!(through_harness.dimensions(), (360, 80));
    assert!(through_harness == direct, "the pictures differ");
}
