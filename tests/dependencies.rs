//! House rule: what we build on is freely licensed, and there is one TLS provider.

use std::collections::BTreeSet;
use std::path::Path;
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

/// `deny.toml` sets advisories on `rustls-webpki` 0.102 aside because of this. Where the client library begins to use it for
/// more, or leaves it, that must be looked at again.
#[test]
fn the_old_certificate_library_is_there_for_the_name_of_an_error_alone() {
    let packages = packages();
    let of = |name: &str| packages.iter().filter(move |package| package["name"] == name).collect::<Vec<_>>();
    let versions: Vec<&str> = of("rustls-webpki").iter().filter_map(|package| package["version"].as_str()).collect();
    assert!(versions.iter().any(|version| version.starts_with("0.102.")), "gone: remove its lines of deny.toml");
    let dependents: Vec<&str> = packages
        .iter()
        .filter(|package| {
            let mut dependencies = package["dependencies"].as_array().into_iter().flatten();
            dependencies.any(|one| one["name"] == "rustls-webpki" && one["req"] == "^0.102.8")
        })
        .filter_map(|package| package["name"].as_str())
        .collect();
    assert_eq!(dependents, ["rumqttc"]);
    let manifest = of("rumqttc")[0]["manifest_path"].as_str().expect("a path");
    let source = Path::new(manifest).parent().expect("a directory").join("src");
    let uses: Vec<String> = lines_of(&source).into_iter().filter(|line| line.contains("webpki::")).collect();
    assert_eq!(uses, ["WebPki(#[from] webpki::Error),"]);
}

/// All lines of code below a directory, without what stands around them.
fn lines_of(dir: &Path) -> Vec<String> {
    let mut lines = Vec::new();
    for entry in std::fs::read_dir(dir).expect("the sources can be read") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            lines.extend(lines_of(&path));
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            let text = std::fs::read_to_string(&path).expect("text");
            lines.extend(text.lines().map(|line| line.trim().to_owned()).filter(|line| !line.starts_with("//")));
        }
    }
    lines
}
