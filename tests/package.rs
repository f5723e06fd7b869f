//! What a home gets: the unit, the man pages, the completions, the files of the package, and the package itself.
//!
//! The last test builds the package and installs it into a root of its own; it is slow and asks for root, so it is run
//! by its command in DEVELOPERS.md.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world")]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

const BINARY: &str = env!("CARGO_BIN_EXE_slackwater");

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn read(path: &str) -> String {
    std::fs::read_to_string(root().join(path)).unwrap_or_else(|error| panic!("{path}: {error}"))
}

fn text(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

fn succeeds(command: &mut Command) -> String {
    let output = command.output().unwrap_or_else(|error| panic!("{command:?}: {error}"));
    assert!(output.status.success(), "{command:?}: {}", text(&output));
    text(&output)
}

#[test]
fn the_unit_exposes_no_more_than_it_must_and_is_sound() {
    // In tenths: 1.5 or better. A unit that says nothing has 9.2 or more.
    let mut security = Command::new("systemd-analyze");
    security.args(["security", "--offline=true", "--threshold=15"]);
    succeeds(security.arg(root().join("deploy/slackwater.service")));
    let dir = tempfile::tempdir().unwrap();
    // Neither the binary nor its man page are where the package puts them.
    let here = read("deploy/slackwater.service")
        .replace("/usr/bin/slackwater", BINARY)
        .replace("Documentation=man:slackwater(1)\n", "");
    let unit = dir.path().join("slackwater.service");
    std::fs::write(&unit, here).unwrap();
    let said = succeeds(Command::new("systemd-analyze").arg("verify").arg(&unit));
    assert!(!said.contains("slackwater.service"), "{said}");
}

#[test]
fn the_unit_asks_for_what_the_daemon_does() {
    let unit = read("deploy/slackwater.service");
    for line in [
        "Type=notify",
        "WatchdogSec=30",
        "Restart=always",
        "StartLimitIntervalSec=0",
        "DynamicUser=yes",
        "StateDirectory=slackwater",
        "LoadCredential=secrets:/etc/slackwater/secrets",
        "ExecReload=/bin/sh -c 'kill -HUP $MAINPID'",
        // The daemon nices its threads; without this call they would keep up with control.
        "SystemCallFilter=setpriority",
    ] {
        assert!(unit.lines().any(|there| there == line), "{line}");
    }
}

#[test]
fn there_is_a_man_page_for_each_command_and_none_for_what_is_hidden() {
    let dir = tempfile::tempdir().unwrap();
    succeeds(Command::new(BINARY).args(["generate", "man"]).arg(dir.path()));
    let help = succeeds(Command::new(BINARY).arg("--help"));
    let commands: Vec<&str> = help
        .split("Commands:\n")
        .nth(1)
        .and_then(|rest| rest.split("\n\n").next())
        .expect("a list of commands")
        .lines()
        .filter(|line| line.starts_with("  ") && !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|command| *command != "help")
        .collect();
    assert!(commands.len() > 30, "{commands:?}");
    for command in &commands {
        let path = dir.path().join(format!("slackwater-{command}.1"));
        let page = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        for part in [".TH", ".SH NAME", ".SH SYNOPSIS", ".SH OPTIONS"] {
            assert!(page.contains(part), "{command}: {part}");
        }
        let whole = format!("slackwater {}", command.replace('-', "\\-"));
        assert!(page.contains(&whole), "{command} is called by its whole name");
    }
    let main = std::fs::read_to_string(dir.path().join("slackwater.1")).unwrap();
    assert!(commands.iter().all(|command| main.contains(&format!("slackwater\\-{}", command.replace('-', "\\-")))));
    assert!(!help.contains("generate") && !main.contains("generate"), "nobody at a tank needs it");
    assert!(!dir.path().join("slackwater-generate.1").exists());
}

#[test]
fn the_completions_complete() {
    let dir = tempfile::tempdir().unwrap();
    succeeds(Command::new(BINARY).args(["generate", "completions"]).arg(dir.path()));
    let files: BTreeSet<String> = std::fs::read_dir(dir.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    assert_eq!(files, ["_slackwater", "slackwater.bash", "slackwater.fish"].map(str::to_owned).into());
    let script = r#"
        source "$1"
        COMP_WORDS=(slackwater rel); COMP_CWORD=1
        _slackwater slackwater rel slackwater
        echo "${COMPREPLY[@]}"
        COMP_WORDS=(slackwater run --con); COMP_CWORD=2
        _slackwater slackwater --con run
        echo "${COMPREPLY[@]}"
    "#;
    let bash = dir.path().join("slackwater.bash");
    let said = succeeds(Command::new("bash").args(["-c", script, "bash"]).arg(bash));
    assert_eq!(said, "release\n--config\n");
}

#[test]
fn a_directory_that_cannot_be_written_is_said_with_its_name() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let output = Command::new(BINARY).args(["generate", "man"]).arg(file.path().join("below")).output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert!(text(&output).contains(file.path().to_str().unwrap()), "{}", text(&output));
}

/// Each asset of the package: its source and where it goes.
fn assets() -> Vec<(String, String)> {
    let manifest = succeeds(
        Command::new(env!("CARGO"))
            .args(["metadata", "--format-version", "1", "--no-deps", "--locked"])
            .current_dir(root()),
    );
    let manifest: serde_json::Value = serde_json::from_str(&manifest[manifest.find('{').unwrap()..]).unwrap();
    let assets = manifest["packages"][0]["metadata"]["deb"]["assets"].as_array().expect("the package has assets");
    let text = |value: &serde_json::Value| value.as_str().expect("text").to_owned();
    assets.iter().map(|asset| (text(&asset[0]), text(&asset[1]))).collect()
}

/// The files that a source names: itself, or those of its directory with its ending.
fn files_of(source: &str) -> Vec<PathBuf> {
    let Some((dir, pattern)) = source.rsplit_once('/').filter(|(_, pattern)| pattern.starts_with('*')) else {
        return vec![root().join(source)];
    };
    let listed = std::fs::read_dir(root().join(dir)).unwrap_or_else(|error| panic!("{dir}: {error}"));
    listed
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.is_file() && path.to_string_lossy().ends_with(&pattern[1..]))
        .collect()
}

#[test]
fn every_file_for_a_home_is_in_the_package_and_nothing_goes_where_the_keeper_s_config_is() {
    let assets = assets();
    let mut packed = BTreeSet::new();
    for (source, to) in assets.iter().filter(|(source, _)| !source.starts_with("target/")) {
        let files = files_of(source);
        assert!(!files.is_empty() && files.iter().all(|file| file.is_file()), "{source} is not there");
        assert!(!to.starts_with("etc/"), "{to}: an upgrade would ask the keeper about it");
        packed.extend(files);
    }
    let mut left = BTreeSet::new();
    for dir in [
        "config",
        "config/tanks",
        "config/drills",
        "deploy",
        "deploy/mosquitto",
        "deploy/prometheus",
        "deploy/proxy",
        "dashboards",
    ] {
        let files = std::fs::read_dir(root().join(dir)).unwrap().map(|entry| entry.unwrap().path());
        left.extend(files.filter(|path| path.is_file() && !packed.contains(path)));
    }
    let left: Vec<String> = left.iter().map(|path| path.strip_prefix(root()).unwrap().display().to_string()).collect();
    // Pictures of the README, the builder itself, and the unit, which goes its own way (`systemd-units`).
    assert_eq!(left, ["dashboards/day.svg", "dashboards/year.svg", "deploy/package.sh", "deploy/slackwater.service"]);
}

#[test]
fn the_scripts_are_sound() {
    for script in ["deploy/debian/postinst", "deploy/debian/postrm"] {
        succeeds(Command::new("sh").arg("-n").arg(root().join(script)));
        assert!(read(script).contains("\n#DEBHELPER#\n"), "{script}: what enables and restarts the unit goes there");
    }
    for script in ["deploy/package.sh", "deploy/mosquitto/certificates"] {
        succeeds(Command::new("bash").arg("-n").arg(root().join(script)));
    }
}

/// No container could be started where this was written: what can be read of the files is.
#[test]
fn the_container_files_name_what_is_there() {
    let compose: serde_json::Value = serde_yaml::from_str(&read("deploy/container/compose.yaml")).unwrap();
    let services = compose["services"].as_object().unwrap();
    let names: Vec<&str> = services.keys().map(String::as_str).collect();
    assert_eq!(names, ["alertmanager", "broker", "daemon", "prometheus"]);
    let volumes = compose["volumes"].as_object().unwrap();
    for (name, service) in services {
        for volume in service["volumes"].as_array().unwrap() {
            let source = volume.as_str().unwrap().split(':').next().unwrap();
            if source.starts_with("../") {
                assert!(root().join("deploy/container").join(source).exists(), "{name}: {source}");
            } else if !source.starts_with("./") {
                assert!(volumes.contains_key(source), "{name}: {source}");
            }
        }
        for port in service["ports"].as_array().into_iter().flatten() {
            let port = port.as_str().unwrap();
            assert!(port.starts_with("127.0.0.1:") || name == "broker", "{name}: {port} is open to the house");
        }
    }
    let container = read("deploy/container/Containerfile");
    for line in container.lines().filter(|line| line.starts_with("COPY") && !line.contains("--from")) {
        for source in line.split_whitespace().skip(1).filter(|word| !word.starts_with("./")) {
            assert!(root().join(source).exists(), "{line}");
        }
    }
    let prometheus = root().join("deploy/container/prometheus.yml");
    succeeds(Command::new("promtool").args(["check", "config", "--syntax-only"]).arg(prometheus));
}

/// A root of Debian, with `chroot` into it.
struct Home(PathBuf);

impl Home {
    fn run(&self, command: &str) -> Output {
        Command::new("chroot").arg(&self.0).args(["sh", "-c", command]).output().unwrap()
    }

    fn does(&self, command: &str) -> String {
        let output = self.run(command);
        assert!(output.status.success(), "{command}: {}", text(&output));
        text(&output)
    }
}

#[test]
#[ignore = "a package and a root of Debian: minutes; its command stands in DEVELOPERS.md"]
fn the_package_installs_into_a_clean_root_upgrades_over_a_changed_config_and_leaves_the_data() {
    let dir = tempfile::tempdir().unwrap();
    let build = |revision: &str| {
        // What is packed, and not how fast it is or how small: the optimised binary takes minutes more.
        let mut package = Command::new(root().join("deploy/package.sh"));
        let to = dir.path().join(format!("{revision}.deb"));
        succeeds(package.args(["--fast", "--deb-revision", revision, "--output"]).arg(&to).env("PROFILE", "dev"));
        to
    };
    let (first, second) = (build("1"), build("2"));
    let home = Home(dir.path().join("root"));
    succeeds(Command::new("debootstrap").args(["--variant=minbase", "bookworm"]).arg(&home.0));
    for (from, to) in [(&first, "first.deb"), (&second, "second.deb")] {
        std::fs::copy(from, home.0.join(to)).unwrap();
    }

    let said = home.does("dpkg -i /first.deb");
    assert!(said.contains("does not run yet"), "{said}");
    assert!(home.does("slackwater --version").starts_with("slackwater "));
    let example = "/usr/share/doc/slackwater/examples/config";
    assert!(home.does(&format!("slackwater check --config {example}")).contains("\nsound, with "));
    home.does(
        "test -f /usr/share/man/man1/slackwater-hold.1.gz -a -f /usr/share/bash-completion/completions/slackwater",
    );
    assert_eq!(home.does("stat -c %a /etc/slackwater/secrets"), "700\n");
    let units = home.does("find / -xdev -name slackwater.service");
    assert!(units.contains("/lib/systemd/system/slackwater.service"), "{units}");
    assert!(!units.contains("/etc/systemd"), "not enabled by itself: {units}");

    home.does(&format!("cp -r {example}/. /etc/slackwater && echo '# mine' >> /etc/slackwater/daemon.yaml"));
    home.does("install -d -m 700 /var/lib/private/slackwater && echo years > /var/lib/private/slackwater/record");
    let before = home.does("cat /etc/slackwater/daemon.yaml");
    let said = home.does("dpkg -i /second.deb < /dev/null");
    assert!(!said.contains("finds something wrong") && !said.contains("conffile"), "{said}");
    assert_eq!(home.does("cat /etc/slackwater/daemon.yaml"), before);
    assert!(home.does("slackwater check").contains("\nsound, with "));
    home.does("echo 'broker: { hosst: x }' >> /etc/slackwater/daemon.yaml");
    let said = home.does("dpkg -i /second.deb");
    assert!(said.contains("this version finds something wrong in /etc/slackwater"), "{said}");

    let kept = "cat /etc/slackwater/tanks/lagoon.yaml /var/lib/private/slackwater/record";
    home.does("dpkg -r slackwater");
    assert!(!home.run("command -v slackwater").status.success());
    assert!(home.does(kept).ends_with("years\n"));
    let said = home.does("dpkg -P slackwater");
    for left in ["/etc/slackwater is yours", "/var/lib/private/slackwater is yours"] {
        assert!(said.contains(left), "{said}");
    }
    assert!(home.does(kept).ends_with("years\n"));
}
