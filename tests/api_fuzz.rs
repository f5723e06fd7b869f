//! The document against the daemon: requests made up from `/api/openapi.json`, sound ones and others, and no answer that
//! the document does not allow. By schemathesis, in a virtual environment under `target/` that is made on the first run.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and connects")]

mod common;

use std::path::{Path, PathBuf};
use std::process::Command;

use common::{Broker, Config, Daemon, World, text};

/// Installed once; what is tried is the same for a seed and a version.
const VERSION: &str = "schemathesis>=4,<5";

fn schemathesis() -> PathBuf {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/schemathesis");
    let program = dir.join("bin/schemathesis");
    if !program.exists() {
        let made = Command::new("python3")
            .args(["-m", "venv"])
            .arg(&dir)
            .output()
            .expect("python3 is not here: this test needs it with its venv module (apt-get install python3-venv)");
        assert!(made.status.success(), "no virtual environment (apt-get install python3-venv): {}", text(&made));
        let got = Command::new(dir.join("bin/pip")).args(["install", "--quiet", VERSION]).output().unwrap();
        assert!(got.status.success(), "schemathesis cannot be installed: {}", text(&got));
    }
    program
}

/// Requests made up for this daemon; `given` are values that the lagoon knows.
fn made_up(daemon: &Daemon, config: &Config, given: &str, examples: &str) {
    std::fs::write(config.path().join("schemathesis.toml"), given).unwrap();
    let checks = "not_a_server_error,status_code_conformance,content_type_conformance,response_headers_conformance,response_schema_conformance,unsupported_method";
    let ran = Command::new(schemathesis())
        .current_dir(config.path())
        .args(["run", &format!("{}/api/openapi.json", daemon.url)])
        .args(["--checks", checks, "--phases", "coverage,fuzzing", "--max-examples", examples, "--seed", "20260401"])
        // Streams do not end, and a reload drops the broker: both have tests of their own.
        .args(["--exclude-path-regex", "(events|reload)$"])
        .args(["--request-timeout", "15", "--generation-database", "none", "--max-time", "30", "--no-color"])
        .output()
        .unwrap();
    let said = text(&ran);
    assert!(ran.status.success(), "{said}");
    assert!(said.contains("Tested: "), "nothing was tried: {said}");
    assert!(daemon.is_ready(), "the daemon goes on");
    let log = daemon.log_text();
    assert!(!log.contains("panicked"), "{log}");
}

#[test]
fn no_made_up_request_gets_an_answer_that_the_document_does_not_allow() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let config = Config::new(&broker);
    let daemon = Daemon::start(&config);
    world.settle(24.2);
    made_up(&daemon, &config, "", "15");
    let known = "[parameters]\n\"path.tank\" = \"lagoon\"\n\"path.output\" = \"heater\"\n\"path.what\" = \"stock\"\n\"query.signal\" = \"water-temp\"\n";
    made_up(&daemon, &config, known, "10");
}
