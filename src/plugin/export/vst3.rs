//! VST3: the factory, and the class that it makes instances of.
//!
//! The bindings take care of reference counts and of the tables of functions; nothing here touches
//! either.

#![expect(
    unsafe_code,
    reason = "an interface is a table of C functions, which take what the host passes on trust"
)]

mod curves;
mod forward;
mod frame;
mod handler;
mod instance;
mod processor;
mod view;

use crate::Crestline;
use instance::Instance;
use nice_plug::wrapper::setup_logger;
use nice_plug::wrapper::vst3::PluginInfo;
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    FIDString, FUnknown, IPluginFactory, IPluginFactory2, IPluginFactory2Trait, IPluginFactory3,
    IPluginFactory3Trait, IPluginFactoryTrait, PClassInfo, PClassInfo2, PClassInfoW, PFactoryInfo,
    TUID, int32, kInvalidArgument, kResultOk, tresult,
};
use nice_plug::wrapper::vst3::vst3::{Class, ComWrapper};
use std::ffi::c_void;
use std::ptr;

/// What a library does before anything else is asked of it: `ModuleEntry`, `bundleEntry` or
/// `InitDll`, by system.
pub fn module_entry() -> bool {
    setup_logger::<Crestline>();
    true
}

/// What a library returns from `GetPluginFactory`: a factory with one reference to it, which is the
/// caller's.
pub fn plugin_factory() -> *mut c_void {
    let factory = ComWrapper::new(Factory {
        info: PluginInfo::for_plugin::<Crestline>(),
    });
    factory
        .to_com_ptr::<IPluginFactory>()
        .map_or(ptr::null_mut(), |factory| factory.into_raw().cast())
}

/// Makes instances of the plug-in, and says what it is called.
struct Factory {
    info: PluginInfo,
}

impl Class for Factory {
    type Interfaces = (IPluginFactory, IPluginFactory2, IPluginFactory3);
}

/// Writes the description of the one class to where the host wants it.
///
/// # Safety
/// `to` is null or may be written to.
unsafe fn describe<T>(index: int32, to: *mut T, description: impl FnOnce() -> T) -> tresult {
    if index != 0 || to.is_null() {
        return kInvalidArgument;
    }
    // SAFETY: not null, and otherwise the caller's promise.
    unsafe { to.write(description()) };
    kResultOk
}

impl IPluginFactoryTrait for Factory {
    unsafe fn getFactoryInfo(&self, info: *mut PFactoryInfo) -> tresult {
        // SAFETY: the host's promise.
        unsafe { describe(0, info, || self.info.create_factory_info()) }
    }

    unsafe fn countClasses(&self) -> int32 {
        1
    }

    unsafe fn getClassInfo(&self, index: int32, info: *mut PClassInfo) -> tresult {
        // SAFETY: the host's promise.
        unsafe { describe(index, info, || self.info.create_class_info()) }
    }

    unsafe fn createInstance(
        &self,
        class: FIDString,
        interface: FIDString,
        object: *mut *mut c_void,
    ) -> tresult {
        if class.is_null() || interface.is_null() || object.is_null() {
            return kInvalidArgument;
        }
        // SAFETY: not null, and otherwise the host's promise. Identifiers have 16 bytes without a
        // demand on their alignment.
        let is_ours = unsafe {
            object.write(ptr::null_mut());
            &*class.cast::<[u8; 16]>() == self.info.cid
        };
        let instance = is_ours.then(|| ComWrapper::new(Instance::new()));
        let unknown = instance
            .as_ref()
            .and_then(ComWrapper::as_com_ref::<FUnknown>);
        let Some(unknown) = unknown else {
            return kInvalidArgument;
        };
        let unknown = unknown.as_ptr();
        // SAFETY: a pointer to an object that `instance` keeps for as long as this takes. The host
        // gets a reference of its own, or the instance ends here.
        unsafe { ((*(*unknown).vtbl).queryInterface)(unknown, interface.cast::<TUID>(), object) }
    }
}

impl IPluginFactory2Trait for Factory {
    unsafe fn getClassInfo2(&self, index: int32, info: *mut PClassInfo2) -> tresult {
        // SAFETY: the host's promise.
        unsafe { describe(index, info, || self.info.create_class_info_2()) }
    }
}

impl IPluginFactory3Trait for Factory {
    unsafe fn getClassInfoUnicode(&self, index: int32, info: *mut PClassInfoW) -> tresult {
        // SAFETY: the host's promise.
        unsafe { describe(index, info, || self.info.create_class_info_unicode()) }
    }

    unsafe fn setHostContext(&self, _context: *mut FUnknown) -> tresult {
        kResultOk
    }
}
