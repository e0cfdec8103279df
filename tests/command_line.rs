//! What the program says of itself: help, version, completions, manual page, rules.

use assert_cmd::cargo::cargo_bin;
use sha2::{Digest, Sha256};
use std::path::Path;
use std::process::{Command, Output, Stdio};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn run(arguments: &[&str]) -> Output {
    Command::new(cargo_bin("shankline"))
        .args(arguments)
        .env("SHANKLINE_MODELS", root().join("models"))
        .output()
        .unwrap()
}

fn says(arguments: &[&str]) -> String {
    let output = run(arguments);
    assert!(
        output.status.success(),
        "{arguments:?}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    assert!(output.stderr.is_empty(), "{arguments:?}");
    String::from_utf8(output.stdout).unwrap()
}

const COMMANDS: [&str; 5] = ["check", "floor", "rules", "completions", "manual"];
const CHECK_OPTIONS: [&str; 7] = ["--floor", "--stature", "--leg", "--athlete", "--rules", "--out", "--json"];

#[test]
fn help_names_every_command_and_option() {
    let help = says(&["--help"]);
    for command in COMMANDS {
        assert!(help.contains(command), "{command}");
        assert!(says(&[command, "--help"]).contains("Usage:"), "{command}");
    }
    let help = says(&["check", "--help"]);
    for option in CHECK_OPTIONS {
        assert!(help.contains(option), "{option}");
    }
    assert!(help.contains("warm up"));
}

/// The hashes against ones computed here from the files themselves.
#[test]
fn the_version_names_code_networks_and_rules_by_hash() {
    let version = says(&["--version"]);
    assert_eq!(version.lines().count(), 1);
    assert!(
        version.starts_with(&format!("shankline {};", env!("CARGO_PKG_VERSION"))),
        "{version}"
    );
    let short = |path: &Path| {
        let hash = Sha256::digest(std::fs::read(path).unwrap());
        hash.iter().take(6).map(|b| format!("{b:02x}")).collect::<String>()
    };
    for file in ["person_detector.onnx", "body_landmarks_heavy.onnx", "lower_leg.onnx"] {
        let wanted = format!("{file} {}", short(&root().join("models").join(file)));
        assert!(version.contains(&wanted), "{wanted}: {version}");
    }
    let rules = short(&root().join("src/rules/southern.toml"));
    assert!(version.contains(&rules), "{rules}: {version}");
}

/// Bash itself reads the completions and completes with them.
#[test]
fn completions_work_in_bash() {
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let text = says(&["completions", shell]);
        assert!(text.contains("shankline") && text.contains("stature"), "{shell}");
    }
    let script = says(&["completions", "bash"]);
    let complete = |words: &[&str]| {
        let last = words.len() - 1;
        let call = format!(
            "{script}\nCOMP_WORDS=({}); COMP_CWORD={last}; _shankline shankline '{}' '{}'; printf '%s\\n' \"${{COMPREPLY[@]}}\"",
            words.join(" "),
            words[last],
            words[last - 1]
        );
        let output = Command::new("bash")
            .args(["--norc", "-c", &call])
            .stdin(Stdio::null())
            .output()
            .unwrap();
        assert!(
            output.status.success() && output.stderr.is_empty(),
            "{}",
            String::from_utf8_lossy(&output.stderr)
        );
        String::from_utf8(output.stdout).unwrap()
    };
    assert_eq!(complete(&["shankline", "che"]).trim(), "check");
    assert_eq!(complete(&["shankline", "check", "--stat"]).trim(), "--stature");
    assert_eq!(complete(&["shankline", "check", "--leg", "ri"]).trim(), "right");
}

/// A page for the program and one for each command, in roff's man macros.
#[test]
fn the_manual_page_names_every_command_and_option() {
    let page = says(&["manual"]);
    for command in COMMANDS {
        assert!(page.contains(&format!(".TH shankline-{command} 1")), "{command}");
    }
    assert!(page.contains(".TH shankline 1"));
    // roff writes a hyphen that is meant as a minus with a backslash.
    let plain = page.replace("\\-", "-");
    for option in CHECK_OPTIONS {
        assert!(plain.contains(option), "{option}");
    }
}

#[test]
fn the_rules_are_said_in_plain_words_and_the_file_can_be_copied() {
    let words = says(&["rules"]);
    for word in ["15 mm", "Inner heel", "Basis:", "judges on the floor"] {
        assert!(words.contains(word), "{word}: {words}");
    }
    let file = says(&["rules", "--file"]);
    assert_eq!(file, std::fs::read_to_string(root().join("src/rules/southern.toml")).unwrap());
}

#[test]
fn no_command_and_an_unknown_one_are_bad_use() {
    for arguments in [&[][..], &["judge"][..]] {
        let output = run(arguments);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        assert!(String::from_utf8_lossy(&output.stderr).contains("Usage:"));
    }
}
