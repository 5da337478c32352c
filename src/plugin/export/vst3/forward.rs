//! The interfaces of the framework's class that are right as they are.

use super::instance::Instance;
use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
    BusDirection, CString, ChannelContext::IInfoListenerTrait, CtrlNumber, IAttributeList,
    IMidiMappingTrait, INoteExpressionControllerTrait, IProcessContextRequirementsTrait,
    IUnitInfoTrait, MediaType, NoteExpressionTypeID, NoteExpressionTypeInfo, NoteExpressionValue,
    ParamID, ProgramListID, ProgramListInfo, String128, TChar, UnitID, UnitInfo,
};
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    FUnknown, IBStream, IPluginBaseTrait, int16, int32, tresult, uint32,
};

/// Methods of an interface that do what the framework's class does.
macro_rules! forward {
    ($interface:ident: $(
        fn $method:ident($($argument:ident: $type:ty),*) -> $result:ty;
    )*) => {$(
        unsafe fn $method(&self, $($argument: $type),*) -> $result {
            // SAFETY: the host promises the same of the arguments, wherever they go.
            unsafe { $interface::$method(&self.framework, $($argument),*) }
        }
    )*};
}
pub(super) use forward;

impl IPluginBaseTrait for Instance {
    forward! { IPluginBaseTrait:
        fn initialize(context: *mut FUnknown) -> tresult;
        fn terminate() -> tresult;
    }
}

impl IMidiMappingTrait for Instance {
    forward! { IMidiMappingTrait:
        fn getMidiControllerAssignment(
            bus: int32, channel: int16, controller: CtrlNumber, id: *mut ParamID
        ) -> tresult;
    }
}

impl INoteExpressionControllerTrait for Instance {
    forward! { INoteExpressionControllerTrait:
        fn getNoteExpressionCount(bus: int32, channel: int16) -> int32;
        fn getNoteExpressionInfo(
            bus: int32, channel: int16, index: int32, info: *mut NoteExpressionTypeInfo
        ) -> tresult;
        fn getNoteExpressionStringByValue(
            bus: int32, channel: int16, id: NoteExpressionTypeID,
            value: NoteExpressionValue, string: *mut String128
        ) -> tresult;
        fn getNoteExpressionValueByString(
            bus: int32, channel: int16, id: NoteExpressionTypeID,
            string: *const TChar, value: *mut NoteExpressionValue
        ) -> tresult;
    }
}

impl IProcessContextRequirementsTrait for Instance {
    forward! { IProcessContextRequirementsTrait:
        fn getProcessContextRequirements() -> uint32;
    }
}

impl IUnitInfoTrait for Instance {
    forward! { IUnitInfoTrait:
        fn getUnitCount() -> int32;
        fn getUnitInfo(index: int32, info: *mut UnitInfo) -> tresult;
        fn getProgramListCount() -> int32;
        fn getProgramListInfo(index: int32, info: *mut ProgramListInfo) -> tresult;
        fn getProgramName(list: ProgramListID, index: int32, name: *mut String128) -> tresult;
        fn getProgramInfo(
            list: ProgramListID, index: int32, attribute: CString, value: *mut String128
        ) -> tresult;
        fn hasProgramPitchNames(list: ProgramListID, index: int32) -> tresult;
        fn getProgramPitchName(
            list: ProgramListID, index: int32, pitch: int16, name: *mut String128
        ) -> tresult;
        fn getSelectedUnit() -> UnitID;
        fn selectUnit(id: UnitID) -> tresult;
        fn getUnitByBus(
            media: MediaType, direction: BusDirection, bus: int32, channel: int32, id: *mut UnitID
        ) -> tresult;
        fn setUnitProgramData(
            list_or_unit: int32, index: int32, data: *mut IBStream
        ) -> tresult;
    }
}

impl IInfoListenerTrait for Instance {
    forward! { IInfoListenerTrait:
        fn setChannelContextInfos(list: *mut IAttributeList) -> tresult;
    }
}
