//! House rule: what we build on is freely licensed, and there is one TLS provider.

use std::collections::BTreeSet;
use std::process::Command;

/// Licences that a dependency may have: each branch of an OR counts alone, each part of an AND must be here.
const FREE: &[&str] = &[
    "0BSD",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "CDLA-Permissive-2.0",
    "ISC",
    "MIT",
    "MIT-0",
    "MPL-2.0",
    "OpenSSL",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
];

/// A second TLS provider, or a C library that a small board would have to bring.
const UNWANTED: &[&str] = &["aws-lc-sys", "openssl-sys", "native-tls"];

fn packages() -> Vec<serde_json::Value> {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--locked"])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("cargo runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: serde_json::Value = serde_json::from_slice(&output.stdout).expect("cargo writes JSON");
    metadata["packages"].as_array().expect("packages").clone()
}

fn is_free(expression: &str) -> bool {
    let plain = expression.replace(['(', ')'], " ").replace('/', " OR ");
    plain.split(" OR ").any(|branch| branch.split(" AND ").all(|licence| FREE.contains(&licence.trim())))
}

#[test]
fn every_dependency_is_freely_licensed() {
    let packages = packages();
    assert!(packages.len() > 100, "cargo metadata lists the dependencies");
    let unfree: BTreeSet<String> = packages
        .iter()
        .filter(|package| !package["license"].as_str().is_some_and(is_free))
        .map(|package| format!("{} {}: {}", package["name"], package["version"], package["license"]))
        .collect();
    assert!(unfree.is_empty(), "{unfree:#?}");
}

#[test]
fn there_is_one_tls_provider() {
    let found: Vec<String> = packages()
        .iter()
        .filter_map(|package| package["name"].as_str())
        .filter(|name| UNWANTED.contains(name))
        .map(str::to_owned)
        .collect();
    assert!(found.is_empty(), "{found:?}");
}
