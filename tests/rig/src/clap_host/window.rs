//! The plug-in's window, embedded into one of the host's. X11 only.

use super::{ClapHost, Requests, Result};
use clack_extensions::gui::{
    GuiApiType, GuiConfiguration, GuiSize, HostGuiImpl, PluginGui, Window,
};
use clack_host::prelude::*;
use std::sync::atomic::Ordering;

const EMBEDDED: GuiConfiguration<'_> = GuiConfiguration {
    api_type: GuiApiType::X11,
    is_floating: false,
};

impl HostGuiImpl for Requests {
    fn resize_hints_changed(&self) {}

    fn request_resize(&self, new_size: GuiSize) -> std::result::Result<(), HostError> {
        self.resizes_asked.fetch_add(1, Ordering::Relaxed);
        if self.refuses_sizes.load(Ordering::Relaxed) {
            return Err(HostError::Message("this window stays as it is"));
        }
        self.window_size
            .store(new_size.pack_to_u64(), Ordering::Relaxed);
        Ok(())
    }

    fn request_show(&self) -> std::result::Result<(), HostError> {
        Ok(())
    }

    fn request_hide(&self) -> std::result::Result<(), HostError> {
        Ok(())
    }

    fn closed(&self, _was_destroyed: bool) {}
}

impl ClapHost {
    /// Opens the plug-in's window within the X11 window `parent`, which must exist until it is
    /// closed.
    pub fn open_window(&mut self, parent: u32) -> Result<()> {
        let gui: PluginGui = self.extension()?;
        let plugin = self.instance.plugin_handle();
        if !gui.is_api_supported(&plugin, EMBEDDED) {
            return Err("the plug-in has no window for X11".into());
        }
        gui.create(&plugin, EMBEDDED)?;
        #[expect(unsafe_code, reason = "nothing vouches for a window but its number")]
        // SAFETY: the caller's promise.
        unsafe {
            gui.set_parent(&plugin, Window::from_x11_handle(parent.into()))?;
        }
        gui.show(&plugin)?;
        self.idle()
    }

    /// Closes the plug-in's window.
    pub fn close_window(&mut self) -> Result<()> {
        let gui: PluginGui = self.extension()?;
        gui.destroy(&self.instance.plugin_handle());
        self.idle()
    }

    /// Width and height of the window, pixels.
    pub fn window_size(&mut self) -> Result<[u32; 2]> {
        let gui: PluginGui = self.extension()?;
        let size = gui.get_size(&self.instance.plugin_handle());
        let GuiSize { width, height } = size.ok_or("a window without a size")?;
        Ok([width, height])
    }

    /// Whether the host may resize the window.
    pub fn window_can_be_resized(&mut self) -> Result<bool> {
        let gui: PluginGui = self.extension()?;
        Ok(gui.can_resize(&self.instance.plugin_handle()))
    }

    /// Resizes the open window to the possible size nearest to this, and returns that.
    pub fn resize_window(&mut self, [width, height]: [u32; 2]) -> Result<[u32; 2]> {
        let gui: PluginGui = self.extension()?;
        let plugin = self.instance.plugin_handle();
        let size = gui
            .adjust_size(&plugin, GuiSize { width, height })
            .ok_or("no size is possible")?;
        gui.set_size(&plugin, size)?;
        self.idle()?;
        Ok([size.width, size.height])
    }

    /// Width and height that the plug-in has asked for since the last time.
    pub fn wanted_window_size(&mut self) -> Option<[u32; 2]> {
        let packed = self
            .instance
            .access_shared_handler(|requests| requests.window_size.swap(0, Ordering::Relaxed));
        let GuiSize { width, height } = GuiSize::unpack_from_u64(packed);
        (packed != 0).then_some([width, height])
    }

    /// How often the plug-in has asked for another size.
    pub fn resizes_asked(&mut self) -> u64 {
        let asked = |requests: &Requests| requests.resizes_asked.load(Ordering::Relaxed);
        self.instance.access_shared_handler(asked)
    }

    /// From now on refuses other sizes.
    pub fn refuse_sizes(&mut self) {
        let refuse = |requests: &Requests| requests.refuses_sizes.store(true, Ordering::Relaxed);
        self.instance.access_shared_handler(refuse);
    }
}
