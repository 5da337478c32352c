//! What is saved with the host's session beside the parameters.

use super::reference::Reference;
use super::target::{BUILT_IN, DEFAULT_WINDOW_ID, TargetWindow, built_in, hundredths};
use super::turn_down::{PLAYBACK_LUFS, playback_level};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

/// Version of the layout that is written.
pub const SESSION_VERSION: u32 = 1;
/// Width and height of a new editor window, in points.
pub const DEFAULT_EDITOR_SIZE: [f32; 2] = [1_180.0, 820.0];
/// Smallest editor window, in points.
pub const MIN_EDITOR_SIZE: [f32; 2] = [640.0, 400.0];
/// Largest editor window, in points.
pub const MAX_EDITOR_SIZE: [f32; 2] = [7_680.0, 4_320.0];
/// Most windows of the user's own.
pub const MAX_OWN_WINDOWS: usize = 64;

/// Saved as JSON inside the host's session.
///
/// It is read field by field: what is missing, of a wrong type or of an unknown kind takes its
/// default, and everything is then [sanitised](Self::sanitised). A session never fails to load
/// because of a part of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(from = "Map<String, Value>")]
pub struct Session {
    /// Version of this layout.
    pub version: u32,
    /// Size of the editor window, in points.
    pub editor_size: [f32; 2],
    /// Size of what is in it, 0.75 to 2.
    pub zoom: f32,
    /// Light or dark.
    pub theme: ThemeChoice,
    /// Which target window is shown.
    pub window: TargetChoice,
    /// The user's own windows that belong to this session.
    pub own_windows: Vec<TargetWindow>,
    /// Loudness to which playback is levelled, LUFS.
    pub playback_lufs: f64,
    /// What the plane shows upwards.
    pub plane: PlaneMode,
    /// Whether audio has been heard, so that the first three lines have done their work.
    pub introduced: bool,
    /// What the mix is compared with.
    pub reference: Option<Reference>,
}

/// Light or dark.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ThemeChoice {
    /// Light on dark.
    #[default]
    Dark,
    /// Dark on light.
    Light,
}

/// What the plane shows upwards.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PlaneMode {
    /// Short-term PLR.
    Plr,
    /// Loudness dynamic ratio.
    #[default]
    Microdynamics,
}

/// Which target window is shown.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TargetChoice {
    /// A built-in one, by its id.
    BuiltIn(String),
    /// One of the user's own, by its name.
    #[serde(rename = "own")]
    User(String),
}

impl Default for TargetChoice {
    fn default() -> Self {
        Self::BuiltIn(DEFAULT_WINDOW_ID.into())
    }
}

impl Default for Session {
    fn default() -> Self {
        Self {
            version: SESSION_VERSION,
            editor_size: DEFAULT_EDITOR_SIZE,
            zoom: 1.0,
            theme: ThemeChoice::default(),
            window: TargetChoice::default(),
            own_windows: Vec::new(),
            playback_lufs: PLAYBACK_LUFS.default,
            plane: PlaneMode::default(),
            introduced: false,
            reference: None,
        }
    }
}

impl From<Map<String, Value>> for Session {
    fn from(mut saved: Map<String, Value>) -> Self {
        let default = Self::default();
        // A window that cannot be read does not take the others with it.
        let own_windows: Vec<Value> = field(&mut saved, "own_windows", Vec::new());
        Self {
            version: field(&mut saved, "version", default.version),
            editor_size: field(&mut saved, "editor_size", default.editor_size),
            zoom: field(&mut saved, "zoom", default.zoom),
            theme: field(&mut saved, "theme", default.theme),
            window: field(&mut saved, "window", default.window),
            own_windows: own_windows
                .into_iter()
                .filter_map(|window| serde_json::from_value(window).ok())
                .collect(),
            playback_lufs: field(&mut saved, "playback_lufs", default.playback_lufs),
            plane: field(&mut saved, "plane", default.plane),
            introduced: field(&mut saved, "introduced", default.introduced),
            reference: field(&mut saved, "reference", default.reference),
        }
        .sanitised()
    }
}

fn field<T: DeserializeOwned>(saved: &mut Map<String, Value>, name: &str, default: T) -> T {
    saved
        .remove(name)
        .and_then(|value| serde_json::from_value(value).ok())
        .unwrap_or(default)
}

impl Session {
    /// The same with every value in its range: sizes and levels clamped, what is not a number
    /// replaced by its default, names cut, windows without a name or with one that is taken left
    /// out, and a choice that does not exist replaced by the default.
    #[must_use]
    pub fn sanitised(mut self) -> Self {
        self.version = SESSION_VERSION;
        for (index, size) in self.editor_size.iter_mut().enumerate() {
            *size = in_range(
                *size,
                MIN_EDITOR_SIZE[index],
                MAX_EDITOR_SIZE[index],
                DEFAULT_EDITOR_SIZE[index],
            );
        }
        self.zoom = in_range(self.zoom, 0.75, 2.0, 1.0);
        self.playback_lufs = hundredths(playback_level(self.playback_lufs));
        self.own_windows = sanitised_windows(self.own_windows);
        self.reference = self.reference.and_then(Reference::sanitised);
        let exists = match &self.window {
            TargetChoice::BuiltIn(id) => built_in(id).is_some(),
            TargetChoice::User(name) => self.own_window(name).is_some(),
        };
        if !exists {
            self.window = TargetChoice::default();
        }
        self
    }

    /// The chosen target window.
    pub fn target(&self) -> &TargetWindow {
        let chosen = match &self.window {
            TargetChoice::BuiltIn(id) => built_in(id).map(|built_in| &built_in.window),
            TargetChoice::User(name) => self.own_window(name),
        };
        chosen
            .or_else(|| Some(&built_in(DEFAULT_WINDOW_ID)?.window))
            .unwrap_or(&BUILT_IN[0].window)
    }

    /// Adds a window of the user's own, in the place of one of the same name, and chooses it. One
    /// without a name is not taken.
    pub fn choose_own(&mut self, window: TargetWindow) {
        let window = window.sanitised();
        if window.name.is_empty() {
            return;
        }
        self.window = TargetChoice::User(window.name.clone().into_owned());
        if let Some(own) = self
            .own_windows
            .iter_mut()
            .find(|own| own.name == window.name)
        {
            *own = window;
        } else {
            // The newest are the ones that are wanted.
            if self.own_windows.len() >= MAX_OWN_WINDOWS {
                self.own_windows.remove(0);
            }
            self.own_windows.push(window);
        }
    }

    /// Puts `window` in the place of the user's own window called `name`. A name that is empty, or
    /// taken by another, is not given to it.
    pub fn change_own(&mut self, name: &str, window: TargetWindow) {
        let mut window = window.sanitised();
        let taken = window.name != name && self.own_window(&window.name).is_some();
        if window.name.is_empty() || taken {
            window.name = name.to_owned().into();
        }
        let chosen = self.window == TargetChoice::User(name.into());
        if let Some(own) = self.own_windows.iter_mut().find(|own| own.name == name) {
            if chosen {
                self.window = TargetChoice::User(window.name.clone().into_owned());
            }
            *own = window;
        }
    }

    /// Takes the user's own window of this name out; if it was chosen, the default is.
    pub fn remove_own(&mut self, name: &str) {
        self.own_windows.retain(|own| own.name != name);
        if self.window == TargetChoice::User(name.into()) {
            self.window = TargetChoice::default();
        }
    }

    /// The user's own window of this name.
    pub fn own_window(&self, name: &str) -> Option<&TargetWindow> {
        self.own_windows.iter().find(|window| window.name == name)
    }
}

/// Windows with every value in its range; those without a name, or with one that is taken, are left
/// out, as are those beyond [`MAX_OWN_WINDOWS`].
pub(super) fn sanitised_windows(windows: Vec<TargetWindow>) -> Vec<TargetWindow> {
    let mut kept: Vec<TargetWindow> = Vec::new();
    for window in windows {
        let window = window.sanitised();
        let taken = kept.iter().any(|other| other.name == window.name);
        if kept.len() < MAX_OWN_WINDOWS && !window.name.is_empty() && !taken {
            kept.push(window);
        }
    }
    kept
}

fn in_range(value: f32, low: f32, high: f32, default: f32) -> f32 {
    if value.is_finite() {
        value.clamp(low, high)
    } else {
        default
    }
}
