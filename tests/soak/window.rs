//! The editor, opened and closed again and again, with somebody who moves the mouse and its wheel
//! without end.

use crestline_core::handover::EditorEnd;
use crestline_core::session::forecast::Forecaster;
use crestline_plugin::editor::raster::Raster;
use crestline_plugin::editor::{Files, View, install};
use crestline_plugin::params::CrestlineParams;
use egui::{
    Context, Event, Modifiers, MouseWheelSource, MouseWheelUnit, RawInput, Rect, TouchPhase, pos2,
    vec2,
};
use kit::chance::Chance;
use nice_plug::prelude::ParamSetter;
use rig::editor_stage::Host;
use std::hint::black_box;
use std::sync::Arc;
use std::time::{Duration, Instant};

const SIZES: [[f32; 2]; 3] = [[1_180.0, 820.0], [700.0, 480.0], [1_600.0, 1_000.0]];
/// Every so many frames one is drawn to the last pixel; of the others the triangles are made.
const PAINTED: u64 = 50;

/// What is behind the window, whether or not it is open.
pub struct Window {
    view: View,
    host: Host,
    chance: Chance,
    open: Option<Open>,
    began: Instant,
    /// When it is opened or closed next.
    next: Instant,
    /// Frames drawn, and times that it was opened.
    pub frames: u64,
    pub opened: u64,
}

/// What lives as long as the window is open.
struct Open {
    context: Context,
    raster: Raster,
    size: [f32; 2],
}

impl Window {
    pub fn new(
        params: Arc<CrestlineParams>,
        end: EditorEnd,
        forecaster: Forecaster,
        seed: u64,
    ) -> Self {
        // Nothing of this user's is read or written.
        let view = View::new(params, end)
            .with_files(Files::default())
            .with_forecaster(forecaster);
        Self {
            view,
            host: Host::default(),
            chance: Chance::new(seed),
            open: None,
            began: Instant::now(),
            next: Instant::now(),
            frames: 0,
            opened: 0,
        }
    }

    /// Opens or closes it where that is due, and draws a frame while it is open.
    pub fn step(&mut self) {
        if Instant::now() >= self.next {
            let seconds = self.chance.within(1.0..15.0);
            self.next = Instant::now() + Duration::from_secs_f64(seconds);
            match self.open.take() {
                Some(_) => {}
                None => self.open(),
            }
        }
        self.draw();
    }

    /// Draws a frame, and opens it for that if need be.
    pub fn keep_open(&mut self) {
        if self.open.is_none() {
            self.open();
        }
        self.draw();
    }

    /// Closes it.
    pub fn close(&mut self) {
        self.open = None;
    }

    fn open(&mut self) {
        let context = Context::default();
        install(&context);
        self.view.opened();
        self.opened += 1;
        self.open = Some(Open {
            context,
            raster: Raster::default(),
            size: *self.chance.one_of(&SIZES),
        });
    }

    fn draw(&mut self) {
        let Some(Open {
            context,
            raster,
            size,
        }) = &mut self.open
        else {
            return;
        };
        let place = pos2(
            self.chance.within(0.0..f64::from(size[0])) as f32,
            self.chance.within(0.0..f64::from(size[1])) as f32,
        );
        let mut events = vec![Event::PointerMoved(place)];
        if self.chance.once_in(4) {
            // A wheel, or a touchpad.
            let (unit, most) = if self.chance.once_in(2) {
                (MouseWheelUnit::Line, 3.0)
            } else {
                (MouseWheelUnit::Point, 60.0)
            };
            events.push(Event::MouseWheel {
                unit,
                delta: vec2(0.0, self.chance.within(-most..most) as f32),
                phase: TouchPhase::Move,
                source: MouseWheelSource::Unknown,
                modifiers: Modifiers::NONE,
            });
        }
        let input = RawInput {
            screen_rect: Some(Rect::from_min_size(pos2(0.0, 0.0), (*size).into())),
            time: Some(self.began.elapsed().as_secs_f64()),
            events,
            ..RawInput::default()
        };
        let (view, setter) = (&mut self.view, ParamSetter::new(&self.host));
        let mut output = context.run_ui(input, |ui| view.ui(ui, &setter));
        if self.frames.is_multiple_of(PAINTED) {
            black_box(raster.frame(context, output));
        } else {
            raster.set_textures(&mut output.textures_delta);
            black_box(context.tessellate(output.shapes, output.pixels_per_point));
            raster.free_textures(&mut output.textures_delta);
        }
        // What it would have told a host is not kept.
        drop(self.host.take());
        self.frames += 1;
    }
}
