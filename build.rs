//! One wish to the linker, so that a small board keeps a megabyte for other things.

#![expect(
    clippy::disallowed_methods,
    reason = "cargo speaks to a build script by its environment; no tank depends on it"
)]

fn main() {
    println!("cargo:rerun-if-changed=build.rs");
    let is = |what: &str, value: &str| std::env::var(what).is_ok_and(|found| found == value);
    // Addresses that are filled in at the start are packed: else each page of their list stays in the memory. Understood by
    // glibc since 2.36, of August 2022.
    if is("CARGO_CFG_TARGET_OS", "linux") && is("CARGO_CFG_TARGET_ENV", "gnu") {
        println!("cargo:rustc-link-arg-bins=-Wl,-z,pack-relative-relocs");
    }
}
