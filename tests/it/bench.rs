//! A folder of its own for each test of the built program.
#![expect(clippy::unwrap_used, reason = "a failure here is the test's failure")]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use tempfile::TempDir;

pub(crate) const FROM_A: &str = "harrow-mill-017-1550-from-a.txt";
pub(crate) const FROM_B: &str = "harrow-mill-017-1550-from-b.txt";

/// Plan to simulate the cable of the samples with six of its fibres, and with these faults in
/// place of its own.
pub(crate) fn cable_plan(faults: &str) -> String {
    let plan = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("sample-traces")
        .join("rowan-tern-24-cable-plan.toml");
    let text = fs::read_to_string(plan).unwrap();
    let (sound, _) = text.split_once("[[faults]]").unwrap();
    sound.replace("fibres = 24", "fibres = 6") + faults
}

/// A folder of its own for each test, with sample traces under their bare names.
pub(crate) struct Bench {
    dir: TempDir,
}

/// How a run ended and what it printed.
pub(crate) struct Ran {
    pub(crate) code: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl Ran {
    /// Exit status and messages, for a snapshot.
    pub(crate) fn message(&self) -> String {
        format!("exit status {}\n{}", self.code, self.err)
    }
}

impl Bench {
    pub(crate) fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-traces");
        for name in [FROM_A, FROM_B] {
            fs::copy(samples.join(name), dir.path().join(name)).unwrap();
        }
        Self { dir }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub(crate) fn write(&self, name: &str, content: impl AsRef<[u8]>) {
        fs::write(self.path(name), content).unwrap();
    }

    /// A copy of a sample with one text in place of another, which must be there.
    pub(crate) fn altered(&self, name: &str, of: &str, from: &str, to: &str) {
        let text = fs::read_to_string(self.path(of)).unwrap();
        assert!(text.contains(from), "{of} has no {from:?}");
        self.write(name, text.replace(from, to));
    }

    pub(crate) fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(assert_cmd::cargo::cargo_bin!("bothends"));
        command.current_dir(self.dir.path()).args(args);
        command
    }

    pub(crate) fn run(&self, args: &[&str]) -> Ran {
        let output = self.command(args).output().unwrap();
        Ran {
            code: output.status.code().unwrap(),
            out: String::from_utf8(output.stdout).unwrap(),
            err: String::from_utf8(output.stderr).unwrap(),
        }
    }

    /// Runs what must fail with status 2 and print no result; gives the message.
    pub(crate) fn fails(&self, args: &[&str]) -> String {
        let ran = self.run(args);
        assert_eq!((ran.code, ran.out.as_str()), (2, ""), "{}", ran.err);
        ran.err
    }

    pub(crate) fn names(&self, folder: &str) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(self.path(folder))
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }
}
