//! What only some hosts do: flush, type values, render offline, show pages of controls.

use super::play::event;
use super::{Change, ClapHost, Requests, Result, text};
use clack_extensions::params::PluginParams;
use clack_extensions::remote_controls::{PluginRemoteControls, RemoteControlsPageBuffer};
use clack_extensions::render::{PluginRender, RenderMode};
use clack_host::events::Pckn;
use clack_host::events::event_types::ParamModEvent;
use clack_host::prelude::*;
use std::ffi::CString;
use std::sync::atomic::Ordering;

/// A page of controls.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Page {
    pub section: String,
    pub name: String,
    /// Its parameters; places between them are left out.
    pub params: Vec<ClapId>,
}

impl ClapHost {
    /// Sets parameters without any audio; only while nothing is activated.
    pub fn flush(&mut self, changes: &[Change]) -> Result<()> {
        let events: Vec<_> = changes.iter().map(|change| event(change, 0)).collect();
        self.flush_events(&InputEvents::from_buffer(&events.as_slice()))
    }

    /// Moves a parameter by so much without setting it, as a modulator does; only while nothing is
    /// activated.
    pub fn modulate(&mut self, id: ClapId, amount: f64) -> Result<()> {
        let events = [ParamModEvent::new(0, id, Pckn::match_all(), amount)];
        self.flush_events(&InputEvents::from_buffer(&events.as_slice()))
    }

    fn flush_events(&mut self, events: &InputEvents<'_>) -> Result<()> {
        let extension: PluginParams = self.extension()?;
        let mut inactive = self.instance.inactive_plugin_handle().ok_or("active")?;
        extension.flush(&mut inactive, events, &mut OutputEvents::void());
        Ok(())
    }

    /// The value that a parameter reads in a text, `None` where it refuses.
    pub fn read(&mut self, id: ClapId, text: &str) -> Result<Option<f64>> {
        let extension: PluginParams = self.extension()?;
        let text = CString::new(text)?;
        Ok(extension.text_to_value(&self.instance.plugin_handle(), id, &text))
    }

    /// How often the plug-in has said, on the main thread, that there is something to save.
    pub fn times_unsaved(&self) -> u64 {
        self.instance
            .access_shared_handler(|requests| requests.unsaved.load(Ordering::Relaxed))
    }

    /// Says whether the host is about to write a file; returns whether the plug-in asks to be
    /// activated anew for that.
    pub fn set_offline(&mut self, offline: bool) -> Result<bool> {
        let extension: PluginRender = self.extension()?;
        let mode = if offline {
            RenderMode::Offline
        } else {
            RenderMode::Realtime
        };
        extension.set(&self.instance.plugin_handle(), mode)?;
        let restart = |requests: &Requests| requests.restart.load(Ordering::Relaxed);
        let asks = self.instance.access_shared_handler(restart);
        self.idle()?;
        Ok(asks)
    }

    /// All pages of controls.
    pub fn pages(&mut self) -> Result<Vec<Page>> {
        let extension: PluginRemoteControls = self.extension()?;
        let handle = self.instance.plugin_handle();
        let mut buffer = RemoteControlsPageBuffer::new();
        let page = |index| {
            let page = extension
                .get(&handle, index, &mut buffer)
                .ok_or("a page without information")?;
            Ok(Page {
                section: text(page.section_name),
                name: text(page.page_name),
                params: page.param_ids.into_iter().flatten().collect(),
            })
        };
        (0..extension.count(&handle)).map(page).collect()
    }
}
