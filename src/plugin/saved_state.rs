//! What a host hands back as the plug-in's saved state, before the framework sees it.
//!
//! The framework takes values as they come. It keeps the present value of a parameter that a state
//! does not know or has another kind of value for, so that an older or damaged state would leave
//! settings behind; it keeps a number that is none, which then makes all that is saved next
//! unreadable; and it keeps the present session, with its reference and windows, where it finds
//! none that it can read.

use crate::params::CrestlineParams;
use crestline_core::session::Session;
use nice_plug::prelude::{Param, ParamPtr, Params, PluginState};
use serde_json::{Value, json};

/// Where the session stands beside the parameters.
const SESSION: &str = "session";

/// Brings every parameter's value into its range, and gives those that have none, and a session
/// that cannot be read, their default.
pub fn mend(state: &mut PluginState) {
    let params = CrestlineParams::default();
    for (id, param, _) in params.param_map() {
        // The framework does not let its value type be named, but it can be written and read.
        let saved = state.params.get(&id);
        let saved = saved.and_then(|saved| serde_json::to_value(saved).ok());
        let saved = saved.unwrap_or_default();
        #[expect(
            unsafe_code,
            reason = "the framework hands parameters out as raw pointers only"
        )]
        // SAFETY: the pointers are into `params`, which lives until the end of this function.
        let mended = unsafe { mended(param, &saved) };
        if mended != saved
            && let Ok(value) = serde_json::from_value(mended)
        {
            state.params.insert(id, value);
        }
    }
    let session = state.fields.get(SESSION);
    let readable = session.is_some_and(|json| serde_json::from_str::<Session>(json).is_ok());
    if !readable && let Ok(json) = serde_json::to_string(&Session::default()) {
        state.fields.insert(SESSION.into(), json);
    }
}

/// The value that a parameter is to have for the one that was saved.
///
/// # Safety
/// The pointer must be good.
#[expect(
    unsafe_code,
    reason = "the framework hands parameters out as raw pointers only"
)]
unsafe fn mended(param: ParamPtr, saved: &Value) -> Value {
    // SAFETY: the caller's promise.
    unsafe {
        match param {
            ParamPtr::FloatParam(param) => {
                let (low, high) = ((*param).preview_plain(0.0), (*param).preview_plain(1.0));
                let (low, high) = (f64::from(low), f64::from(high));
                match saved["f32"].as_f64() {
                    Some(value) if (low..=high).contains(&value) => saved.clone(),
                    Some(value) => json!({"f32": value.clamp(low, high) as f32}),
                    None => json!({"f32": (*param).default_plain_value()}),
                }
            }
            ParamPtr::IntParam(param) => {
                let (low, high) = ((*param).preview_plain(0.0), (*param).preview_plain(1.0));
                let value = saved["i32"].as_i64();
                let value = value.map_or((*param).default_plain_value().into(), |value| {
                    value.clamp(low.into(), high.into())
                });
                json!({"i32": value})
            }
            ParamPtr::BoolParam(param) => {
                let value = saved["bool"].as_bool();
                json!({"bool": value.unwrap_or((*param).default_plain_value())})
            }
            ParamPtr::EnumParam(param) => {
                let named = saved["string"].as_str();
                let counted = saved["i32"].as_u64();
                let steps = (*param).step_count().unwrap_or(0) as u64;
                // The parameter is a copy of our own.
                let is_known = named.is_some_and(|name| (*param).set_from_id(name))
                    || counted.is_some_and(|index| index <= steps);
                if is_known {
                    saved.clone()
                } else {
                    json!({"i32": (*param).default_plain_value()})
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mended_from(params: &Value) -> Value {
        let state = json!({"version": "0.1.0", "params": params, "fields": {}});
        let mut state: PluginState = serde_json::from_value(state).unwrap();
        mend(&mut state);
        serde_json::to_value(&state).unwrap()["params"].clone()
    }

    #[test]
    fn values_are_held_to_their_ranges_and_what_is_no_value_is_the_default() {
        let mended = mended_from(&json!({
            "push": {"f32": 1e9},
            "ceil": {"f32": -1e300},
            "link": {"bool": true},
            "limit": {"f32": 1.0},
            "listen": {"string": "nothing"},
        }));
        assert_eq!(mended["push"], json!({"f32": 18.0}));
        assert_eq!(mended["ceil"]["f32"], json!(-1.0));
        assert_eq!(mended["link"], json!({"f32": 100.0}));
        assert_eq!(mended["limit"], json!({"bool": false}));
        assert_eq!(mended["listen"], json!({"i32": 0}));
    }

    #[test]
    fn a_session_that_cannot_be_read_is_a_new_one() {
        let mended_from = |fields: Value| {
            let state = json!({"version": "0.1.0", "params": {}, "fields": fields});
            let mut state: PluginState = serde_json::from_value(state).unwrap();
            mend(&mut state);
            state.fields["session"].clone()
        };
        let new = serde_json::to_string(&Session::default()).unwrap();
        assert_eq!(mended_from(json!({})), new);
        for unreadable in ["", "{", "[1, 2]", "\"session\""] {
            assert_eq!(
                mended_from(json!({"session": unreadable})),
                new,
                "{unreadable}"
            );
        }
        let read = r#"{"version":1,"theme":"light"}"#;
        assert_eq!(mended_from(json!({"session": read})), read);
    }

    #[test]
    fn what_is_in_order_stays_as_it_is_and_what_is_unknown_is_kept() {
        let params = json!({
            "push": {"f32": 3.5},
            "limit": {"bool": true},
            "listen": {"string": "clean"},
            "later": {"f32": 1.0},
        });
        let mended = mended_from(&params);
        for (id, value) in params.as_object().unwrap() {
            assert_eq!(&mended[id], value, "{id}");
        }
        assert_eq!(mended["shldr"], json!({"f32": 3.0}), "what is missing");
    }
}
