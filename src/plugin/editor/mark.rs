//! The mark of each signal: input a ring, clean a square, output a disc; and that of the
//! reference, a diamond.
//!
//! They differ in shape as well as in hue. All marks of one size cover about the same area, so none
//! looks heavier than another.

use std::f32::consts::PI;

use egui::{Color32, Painter, Pos2, Rect, Shape, Stroke, Vec2};

use super::theme::Signal;

/// Paints the mark of `signal` around `centre`. `size` is the side of the square, in points, that
/// the others match in area.
pub fn paint(painter: &Painter, signal: Signal, centre: Pos2, size: f32, colour: Color32) {
    match signal {
        Signal::Input => hollow(painter, signal, centre, size, colour, Color32::TRANSPARENT),
        Signal::Clean => {
            painter.rect_filled(square(centre, size), 0.0, colour);
        }
        Signal::Output => {
            painter.circle_filled(centre, radius(size), colour);
        }
    }
}

/// Paints the outline of the mark with `inside` within it, for points on a curve rather than the
/// signal itself.
pub fn hollow(
    painter: &Painter,
    signal: Signal,
    centre: Pos2,
    size: f32,
    colour: Color32,
    inside: Color32,
) {
    let stroke = Stroke::new((size * 0.18).max(1.5), colour);
    // The stroke lies within the outline, so that hollow and filled marks are equally large.
    let size = size - stroke.width;
    match signal {
        Signal::Input | Signal::Output => {
            painter.circle(centre, radius(size), inside, stroke);
        }
        Signal::Clean => {
            painter.rect(
                square(centre, size),
                0.0,
                inside,
                stroke,
                egui::StrokeKind::Middle,
            );
        }
    }
}

/// Paints the mark of the reference, a diamond: `filled`, or its outline alone.
pub fn diamond(painter: &Painter, centre: Pos2, size: f32, colour: Color32, filled: bool) {
    let stroke = Stroke::new((size * 0.18).max(1.5), colour);
    // Half a diagonal of a square of the same area.
    let reach = size / 2.0_f32.sqrt() - if filled { 0.0 } else { stroke.width / 2.0 };
    let corners = [(0.0, -reach), (reach, 0.0), (0.0, reach), (-reach, 0.0)];
    let points = corners.map(|(x, y)| centre + Vec2::new(x, y)).to_vec();
    painter.add(if filled {
        Shape::convex_polygon(points, colour, Stroke::NONE)
    } else {
        Shape::closed_line(points, stroke)
    });
}

fn square(centre: Pos2, size: f32) -> Rect {
    Rect::from_center_size(centre, Vec2::splat(size))
}

fn radius(size: f32) -> f32 {
    size / PI.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use egui::pos2;

    #[test]
    fn marks_of_one_size_have_one_area() {
        let centre = pos2(3.0, 4.0);
        let size = 12.0;
        let area = square(centre, size).area();
        assert!((PI * radius(size).powi(2) - area).abs() < 1e-3);
    }
}
