//! What each line and mark of the strip stands for, beside the mark itself.

use egui::{Align2, Color32, Painter, Pos2, Rect, Shape, Stroke, pos2, vec2};

use super::strip::Subject;
use crate::editor::number::with_unit;
use crate::editor::scene::{label, wide};
use crate::editor::theme::{Colours, LABEL_PT, Signal};
use crate::editor::view_model::history::{CURVES, Curve, short_term_limits};
use crestline_core::session::Limits;

/// Width of a mark, and space between entries, points.
const MARK: f32 = 18.0;
const GAP: f32 = 16.0;

/// How something is drawn.
#[derive(Clone, Copy)]
enum Mark {
    Line(Curve),
    Dashes(Color32),
    Block(Color32),
    Triangles(Color32),
    Tick(Color32),
}

fn entries(subject: &Subject<'_>, colours: &Colours) -> Vec<(Mark, String)> {
    // The ceiling may have been another one when the peak passed.
    let over = format!("over {}", with_unit(Some(subject.ceiling_dbtp), 1, "dBTP"));
    let [input, clean, output] = CURVES;
    let mut entries = vec![
        (Mark::Line(output), "output".into()),
        (Mark::Line(clean), "clean".into()),
        (Mark::Line(input), "input".into()),
        (Mark::Dashes(colours.output.mark), "microdynamics".into()),
    ];
    // A window for the whole of a song alone leaves no 3 s outside.
    let loudness = short_term_limits(subject.target) != Limits::OPEN;
    let outside = match (loudness, subject.target.plr_db != Limits::OPEN) {
        (false, false) => None,
        (true, false) => Some("3 s outside target"),
        (_, true) => Some("3 s outside target (hollow: PLR)"),
    };
    entries.extend(outside.map(|words| (Mark::Triangles(colours.window.mark), words.into())));
    entries.extend([
        (Mark::Block(colours.output.mark), "limiter".into()),
        (Mark::Tick(colours.text), over),
    ]);
    entries
}

/// How wide all of it is, points.
pub fn width(painter: &Painter, subject: &Subject<'_>, colours: &Colours) -> f32 {
    let entries = entries(subject, colours);
    let wide = |(_, name): &(Mark, String)| MARK + 6.0 + wide(painter, name, LABEL_PT);
    entries.iter().map(wide).sum::<f32>() + GAP * (entries.len() - 1) as f32
}

/// Writes as many entries as there is room for up to `right`.
pub fn legend(painter: &Painter, at: Pos2, right: f32, subject: &Subject<'_>, colours: &Colours) {
    let mut x = at.x;
    for (mark, name) in entries(subject, colours) {
        let width = wide(painter, &name, LABEL_PT);
        if x + MARK + 6.0 + width > right {
            return;
        }
        let area = Rect::from_min_size(pos2(x, at.y - 5.0), vec2(MARK, 10.0));
        paint(painter, area, mark, colours);
        let text = pos2(area.right() + 6.0, at.y);
        x = label(painter, text, Align2::LEFT_CENTER, name, colours.label).right() + GAP;
    }
}

fn paint(painter: &Painter, area: Rect, mark: Mark, colours: &Colours) {
    let ends = [area.left_center(), area.right_center()];
    match mark {
        Mark::Line(curve) => {
            painter.extend(line(ends.to_vec(), &curve, colours));
        }
        Mark::Dashes(colour) => {
            painter.extend(Shape::dashed_line(
                &ends,
                Stroke::new(1.5, colour),
                4.0,
                3.0,
            ));
        }
        Mark::Block(colour) => {
            painter.rect_filled(area.shrink2(vec2(2.0, 1.0)), 1, colour);
        }
        Mark::Triangles(colour) => {
            for (side, up) in [(0.25, true), (0.75, false)] {
                let centre = pos2(area.left() + side * area.width(), area.center().y);
                triangle(painter, centre, up, Some(colour), colour);
            }
        }
        Mark::Tick(colour) => {
            let tick = Rect::from_center_size(area.center(), vec2(3.0, 10.0));
            painter.rect_filled(tick, 0, colour);
        }
    }
}

/// A curve of loudness through `points`: the input's is dotted, so that hues alone tell nothing.
pub fn line(points: Vec<Pos2>, curve: &Curve, colours: &Colours) -> Vec<Shape> {
    let hue = colours.hue(curve.signal).mark;
    match curve.signal {
        Signal::Input => Shape::dotted_line(&points, hue, 3.5, curve.width / 2.0),
        Signal::Clean | Signal::Output => {
            vec![Shape::line(points, Stroke::new(curve.width, hue))]
        }
    }
}

/// A triangle that points up, above the target, or down, below it; hollow without `inside`.
pub fn triangle(painter: &Painter, centre: Pos2, up: bool, inside: Option<Color32>, edge: Color32) {
    let tip = if up { -3.5 } else { 3.5 };
    let corners = vec![
        centre + vec2(0.0, tip),
        centre + vec2(4.0, -tip),
        centre + vec2(-4.0, -tip),
    ];
    let fill = inside.unwrap_or(Color32::TRANSPARENT);
    painter.add(Shape::convex_polygon(corners, fill, Stroke::new(1.0, edge)));
}
