//! How the plug-in library is linked.

fn main() {
    println!("cargo::rerun-if-changed=build.rs");
    if std::env::var("CARGO_CFG_TARGET_OS").as_deref() == Ok("linux") {
        // A thread that has called into the plug-in runs code of it when it ends, to free what the
        // standard library keeps for a thread. Hosts may have unloaded the plug-in by then, and
        // would crash; so its code stays where it is.
        println!("cargo::rustc-link-arg-cdylib=-Wl,-z,nodelete");
    }
}
