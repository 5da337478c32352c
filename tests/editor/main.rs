//! The editor, without a window. One module a promise.

mod controls;
mod files;
mod frames;
mod pictures;
mod raster;
mod window;
