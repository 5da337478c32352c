//! What the linker is told of the plug-in alone.

fn main() {
    println!("cargo::rerun-if-changed=build.rs");
    // Without a name of its own the library is called by the path that it was linked at, which tells
    // whoever has it of the folders of whoever made it.
    if std::env::var("CARGO_CFG_TARGET_VENDOR").is_ok_and(|vendor| vendor == "apple") {
        println!("cargo::rustc-cdylib-link-arg=-Wl,-install_name,@rpath/Crestline");
    }
}
