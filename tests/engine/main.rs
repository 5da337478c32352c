//! The engine as a whole, and what it hands over. One module a promise.

mod automation;
mod ceiling;
mod forecast;
mod history;
mod history_drawing;
mod history_model;
mod listen;
mod matching;
mod paths;
mod targets;
mod transparency;
