//! Triangles onto a canvas of eight-bit pixels: OpenGL 4.6 sections 14.6.1 (which pixels) and
//! 17.3.6 (blending).

use egui::epaint::Vertex;
use egui::{Color32, Pos2, Rect, TextureFilter};

use super::texture::Texture;

/// Corner positions are rounded to this fraction of a pixel, as graphics cards do; it makes the
/// edge functions exact integers.
const STEPS: i64 = 256;
const HALF: i64 = STEPS / 2;
/// Farther out than any canvas, near enough for the edge functions to stay within an `i64`.
const FARTHEST_PX: f32 = 1_048_576.0;

/// A premultiplied colour, 0 to 255 per channel.
type Colour = [f32; 4];

/// A vertex in physical pixels.
#[derive(Clone, Copy)]
pub(super) struct Corner {
    x: i64,
    y: i64,
    uv: Pos2,
    colour: Color32,
    finite: bool,
}

impl Corner {
    pub(super) fn new(vertex: &Vertex, pixels_per_point: f32) -> Self {
        let fixed = |points: f32| {
            let px = (points * pixels_per_point).clamp(-FARTHEST_PX, FARTHEST_PX);
            (px * STEPS as f32).round() as i64
        };
        Self {
            x: fixed(vertex.pos.x),
            y: fixed(vertex.pos.y),
            uv: vertex.uv,
            colour: vertex.color,
            finite: vertex.pos.is_finite() && vertex.uv.is_finite(),
        }
    }
}

/// The line from one corner to the next: not negative on the side that is drawn.
struct Edge {
    /// At the centre of the first pixel of the row at hand.
    value: i64,
    per_column: i64,
    per_row: i64,
}

impl Edge {
    /// `from` to `to` clockwise on the screen, starting at the centre of the pixel in column `left`
    /// of row `top`.
    fn new(from: Corner, to: Corner, left: i64, top: i64) -> Self {
        let (dx, dy) = (to.x - from.x, to.y - from.y);
        let (x, y) = (left * STEPS + HALF, top * STEPS + HALF);
        // A centre that lies on the line belongs to the triangle on one side only: to the one whose
        // left or top edge it is.
        let owns_its_line = dy < 0 || (dy == 0 && dx > 0);
        Self {
            value: dx * (y - from.y) - dy * (x - from.x) - i64::from(!owns_its_line),
            per_column: -dy * STEPS,
            per_row: dx * STEPS,
        }
    }

    /// Narrows the columns from `first` up to, not including, `end` to those on the drawn side.
    fn narrow(&self, [first, end]: [i64; 2]) -> [i64; 2] {
        match self.per_column {
            0 if self.value < 0 => [first, first],
            0 => [first, end],
            step if step > 0 => {
                let outside = -self.value;
                [
                    first.max(outside.div_euclid(step) + i64::from(outside.rem_euclid(step) > 0)),
                    end,
                ]
            }
            step => [first, end.min(self.value.div_euclid(-step) + 1)],
        }
    }
}

/// A number per corner spread over the triangle: its value at the first pixel and its slopes.
#[derive(Clone, Copy)]
struct Plane {
    start: f64,
    per_column: f64,
    per_row: f64,
}

impl Plane {
    fn at_row(&self, row: i64) -> (f32, f32) {
        (
            (self.start + self.per_row * row as f64) as f32,
            self.per_column as f32,
        )
    }
}

/// The picture being drawn.
pub(super) struct Canvas {
    width: i64,
    height: i64,
    pixels: Vec<[u8; 4]>,
    /// Left, top, right, bottom in whole pixels, within the canvas.
    clip: [i64; 4],
}

impl Canvas {
    pub(super) fn new([width, height]: [u32; 2]) -> Self {
        let pixels = vec![[0; 4]; width as usize * height as usize];
        let (width, height) = (i64::from(width), i64::from(height));
        Self {
            width,
            height,
            pixels,
            clip: [0, 0, width, height],
        }
    }

    /// Limits drawing to `px`, in physical pixels, rounded to whole ones.
    pub(super) fn set_clip(&mut self, px: Rect) {
        let (width, height) = (self.width, self.height);
        let left = (px.min.x.round() as i64).clamp(0, width);
        let top = (px.min.y.round() as i64).clamp(0, height);
        self.clip = [
            left,
            top,
            (px.max.x.round() as i64).clamp(left, width),
            (px.max.y.round() as i64).clamp(top, height),
        ];
    }

    /// Draws a triangle of either winding. One with a coordinate that is not finite, or without
    /// area, is left out.
    pub(super) fn triangle(&mut self, corners: [Corner; 3], texture: &Texture) {
        let [a, mut b, mut c] = corners;
        let mut area = (b.x - a.x) * (c.y - a.y) - (b.y - a.y) * (c.x - a.x);
        if area < 0 {
            (b, c, area) = (c, b, -area);
        }
        if area == 0 || corners.iter().any(|corner| !corner.finite) {
            return;
        }
        let [clip_left, clip_top, clip_right, clip_bottom] = self.clip;
        let left = (a.x.min(b.x).min(c.x) - HALF)
            .div_euclid(STEPS)
            .max(clip_left);
        let top = (a.y.min(b.y).min(c.y) - HALF)
            .div_euclid(STEPS)
            .max(clip_top);
        let right = ((a.x.max(b.x).max(c.x) - HALF).div_euclid(STEPS) + 1).min(clip_right);
        let bottom = ((a.y.max(b.y).max(c.y) - HALF).div_euclid(STEPS) + 1).min(clip_bottom);
        if left >= right || top >= bottom {
            return;
        }
        let mut edges = [(a, b), (b, c), (c, a)].map(|(from, to)| Edge::new(from, to, left, top));
        let fill = Fill::new([a, b, c], area as f64, [left, top], texture);
        for row in 0..bottom - top {
            let [first, end] = edges
                .iter()
                .fold([0, right - left], |span, edge| edge.narrow(span));
            if first < end {
                let start = (top + row) * self.width + left;
                fill.span(self.row(start + first, start + end), row, first);
            }
            for edge in &mut edges {
                edge.value += edge.per_row;
            }
        }
    }

    fn row(&mut self, start: i64, end: i64) -> &mut [[u8; 4]] {
        let [start, end] = [start, end].map(|index| usize::try_from(index).unwrap_or(0));
        self.pixels.get_mut(start..end).unwrap_or_default()
    }

    /// Red, green, blue and alpha of each pixel, in rows from the top.
    pub(super) fn into_bytes(self) -> Vec<u8> {
        self.pixels.into_flattened()
    }
}

/// What a triangle is filled with; the plain cases are told apart because most of a frame is plain.
enum Fill<'a> {
    /// One colour all over.
    Plain(Colour),
    /// Colours between the corners times one colour from the texture.
    Shaded([Plane; 4], Colour),
    /// Colours between the corners times the texture under them, whose place is given in texels.
    Textured([Plane; 4], [Plane; 2], TextureFilter, &'a Texture),
}

impl<'a> Fill<'a> {
    fn new(corners: [Corner; 3], area: f64, first_px: [i64; 2], texture: &'a Texture) -> Self {
        let [a, b, c] = corners;
        let size = texture.size();
        let plane =
            |values: [f32; 3]| plane_through(corners, values.map(f64::from), area, first_px);
        let colours = || {
            std::array::from_fn(|part| plane(corners.map(|corner| channels(corner.colour)[part])))
        };
        if a.uv != b.uv || b.uv != c.uv {
            let place = [
                plane(corners.map(|corner| corner.uv.x * size.x)),
                plane(corners.map(|corner| corner.uv.y * size.y)),
            ];
            let [x, y] = place;
            let across = x.per_column.hypot(y.per_column);
            let down = x.per_row.hypot(y.per_row);
            let filter = texture.filter(across.max(down) as f32);
            return Self::Textured(colours(), place, filter, texture);
        }
        let at = Pos2::new(a.uv.x * size.x, a.uv.y * size.y);
        let tint = texture.sample(at, texture.filter(0.0));
        if a.colour == b.colour && b.colour == c.colour {
            Self::Plain(times(channels(a.colour), tint))
        } else {
            Self::Shaded(colours(), tint)
        }
    }

    /// Blends into `pixels`, which start `first` columns right of and `row` rows below the first
    /// pixel of the triangle's box.
    fn span(&self, pixels: &mut [[u8; 4]], row: i64, first: i64) {
        let at = |planes: &[Plane], part: usize| planes[part].at_row(row);
        let columns = pixels
            .iter_mut()
            .zip(first..)
            .map(|(pixel, column)| (pixel, column as f32));
        match self {
            Self::Plain(colour) if colour[3] >= 255.0 => {
                pixels.fill(blend(*colour, [0; 4]));
            }
            Self::Plain(colour) => {
                for pixel in pixels {
                    *pixel = blend(*colour, *pixel);
                }
            }
            Self::Shaded(colours, tint) => {
                let lines: [(f32, f32); 4] = std::array::from_fn(|part| at(colours, part));
                for (pixel, column) in columns {
                    let colour = lines.map(|line| along(line, column).clamp(0.0, 255.0));
                    *pixel = blend(times(colour, *tint), *pixel);
                }
            }
            Self::Textured(colours, place, filter, texture) => {
                let lines: [(f32, f32); 4] = std::array::from_fn(|part| at(colours, part));
                let (x, y) = (at(place, 0), at(place, 1));
                for (pixel, column) in columns {
                    let texel =
                        texture.sample(Pos2::new(along(x, column), along(y, column)), *filter);
                    let colour = lines.map(|line| along(line, column).clamp(0.0, 255.0));
                    *pixel = blend(times(colour, texel), *pixel);
                }
            }
        }
    }
}

/// The plane that has `values` at the corners; `area` is twice the triangle's, in steps squared,
/// and `first_px` its origin.
fn plane_through(corners: [Corner; 3], values: [f64; 3], area: f64, first_px: [i64; 2]) -> Plane {
    let [a, b, c] = corners;
    let (ab, ac) = (values[1] - values[0], values[2] - values[0]);
    let [abx, aby, acx, acy] = [b.x - a.x, b.y - a.y, c.x - a.x, c.y - a.y].map(|d| d as f64);
    let per_step_x = (ab * acy - ac * aby) / area;
    let per_step_y = (ac * abx - ab * acx) / area;
    let [x, y] = first_px.map(|px| px * STEPS + HALF);
    Plane {
        start: values[0] + per_step_x * (x - a.x) as f64 + per_step_y * (y - a.y) as f64,
        per_column: per_step_x * STEPS as f64,
        per_row: per_step_y * STEPS as f64,
    }
}

fn along((start, slope): (f32, f32), column: f32) -> f32 {
    start + slope * column
}

fn channels(colour: Color32) -> Colour {
    colour.to_array().map(f32::from)
}

fn times(colour: Colour, tint: [f32; 4]) -> Colour {
    std::array::from_fn(|part| colour[part] * tint[part])
}

/// Source over destination, both premultiplied (Porter and Duff 1984), rounded to eight bits.
fn blend(source: Colour, below: [u8; 4]) -> [u8; 4] {
    let through = 1.0 - source[3] / 255.0;
    std::array::from_fn(|part| byte(source[part] + f32::from(below[part]) * through))
}

#[expect(
    clippy::cast_sign_loss,
    reason = "a float becomes an integer by saturating, below zero too"
)]
fn byte(value: f32) -> u8 {
    (value + 0.5) as u8
}
