//! The README and DEVELOPERS files: what they print, name and promise is true.
//!
//! A command in a block ```` ```sh ```` is run with the built program; the block
//! ```` ```text ```` behind it must be what it prints, standard output first. A line `…`
//! stands for any lines. A block with a file's name, such as
//! ```` ```csv closures.csv ````, is written to that file first; ```` ```sh fails ````
//! must end with status 2, ```` ```sh not within ```` with status 1.
//!
//! When outputs changed, the tests leave the README and the picture as they should be
//! in the folder of temporary files that the message names; read the difference, then
//! copy them.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a failure in a function around a test is the test's failure"
)]

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use resvg::tiny_skia::Pixmap;
use tempfile::TempDir;

const PICTURE: &str = "harrow-mill-017-1550.png";
const FROM_A: &str = "sample-traces/harrow-mill-017-1550-from-a.txt";
const FROM_B: &str = "sample-traces/harrow-mill-017-1550-from-b.txt";

/// Stands for any number of lines.
const ELISION: &str = "…";

/// Commands for the toolchain, which a test cannot run inside itself.
const NOT_RUN: [&str; 1] = ["cargo test --locked"];

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn text_of(name: &str) -> String {
    fs::read_to_string(root().join(name)).unwrap()
}

/// A folder with the sample traces in it.
struct Bench {
    dir: TempDir,
}

struct Ran {
    status: i32,
    out: String,
    err: String,
}

impl Bench {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let samples = dir.path().join("sample-traces");
        fs::create_dir(&samples).unwrap();
        for entry in fs::read_dir(root().join("sample-traces")).unwrap() {
            let from = entry.unwrap().path();
            fs::copy(&from, samples.join(from.file_name().unwrap())).unwrap();
        }
        Self { dir }
    }

    fn run(&self, args: &[&str]) -> Ran {
        let output = Command::new(assert_cmd::cargo::cargo_bin!("bothends"))
            .current_dir(self.dir.path())
            .args(args)
            .output()
            .unwrap();
        Ran {
            status: output.status.code().unwrap(),
            out: String::from_utf8(output.stdout).unwrap(),
            err: String::from_utf8(output.stderr).unwrap(),
        }
    }
}

/// A fenced block: what stands behind its opening fence, its lines, and the number of
/// the first of them, counted from 0.
struct Block<'t> {
    language: &'t str,
    argument: &'t str,
    lines: Vec<&'t str>,
    first: usize,
}

fn blocks(text: &str) -> Vec<Block<'_>> {
    let mut found = Vec::new();
    let mut open: Option<Block<'_>> = None;
    for (number, line) in text.lines().enumerate() {
        match (open.take(), line.strip_prefix("```")) {
            (None, Some(info)) => {
                let (language, argument) = info.split_once(' ').unwrap_or((info, ""));
                open = Some(Block {
                    language,
                    argument,
                    lines: Vec::new(),
                    first: number + 1,
                });
            }
            (Some(block), Some("")) => found.push(block),
            (Some(mut block), _) => {
                block.lines.push(line);
                open = Some(block);
            }
            (None, None) => {}
        }
    }
    assert!(open.is_none(), "a block is not closed");
    found
}

/// Arguments of the program in a command, which is run by its name or through cargo.
fn arguments(command: &str) -> Vec<&str> {
    let words: Vec<&str> = command.split_whitespace().collect();
    assert!(
        !command.contains(['"', '\'', '>', '|', '&', ';', '$', '*']),
        "`{command}` needs a shell"
    );
    match words.as_slice() {
        ["bothends", args @ ..] | ["cargo", "run", "--release", "--locked", "--", args @ ..] => {
            args.to_vec()
        }
        _ => panic!("`{command}` is neither run nor known"),
    }
}

/// Whether lines are those of a pattern whose elisions stand for any lines.
fn matches(pattern: &[&str], lines: &[&str]) -> bool {
    match pattern.split_first() {
        None => lines.is_empty(),
        Some((&ELISION, rest)) => (0..=lines.len()).any(|k| matches(rest, &lines[k..])),
        Some((line, rest)) => lines.first() == Some(line) && matches(rest, &lines[1..]),
    }
}

/// A line with every number in it, and every run of spaces, made the same.
fn without_numbers(line: &str) -> String {
    let mut shape = String::new();
    for letter in line.chars() {
        let letter = if letter.is_ascii_digit() { '0' } else { letter };
        if !(shape.ends_with(letter) && (letter == '0' || letter == ' ')) {
            shape.push(letter);
        }
    }
    shape
}

/// The pattern as it should be: every run of lines between elisions is taken from where
/// lines of the same shape were printed, the most similar of them; what is found
/// nowhere is kept.
fn renewed(pattern: &[&str], lines: &[&str]) -> Vec<String> {
    let owned = |lines: &[&str]| lines.iter().map(|&line| line.to_owned()).collect();
    if !pattern.contains(&ELISION) {
        return owned(lines);
    }
    let similar = |one: &&str, other: &&str| {
        let same = one.chars().zip(other.chars()).filter(|(p, q)| p == q);
        same.count()
    };
    let mut from = 0;
    let mut new: Vec<String> = Vec::new();
    for run in pattern.split_inclusive(|line| *line == ELISION) {
        let (run, elision) = match run.split_last() {
            Some((&ELISION, run)) => (run, true),
            _ => (run, false),
        };
        let best = (from..=lines.len())
            .filter_map(|at| Some((at, lines.get(at..at + run.len())?)))
            .filter(|(_, there)| {
                let mut both = run.iter().zip(there.iter());
                both.all(|(one, other)| without_numbers(one) == without_numbers(other))
            })
            .max_by_key(|(at, there)| {
                let both = run.iter().zip(there.iter());
                let score: usize = both.map(|(one, other)| similar(one, other)).sum();
                (score, std::cmp::Reverse(*at))
            });
        match best {
            Some((at, there)) => {
                from = at + run.len();
                new.extend::<Vec<String>>(owned(there));
            }
            None => new.extend::<Vec<String>>(owned(run)),
        }
        if elision {
            new.push(ELISION.to_owned());
        }
    }
    new
}

/// Where a renewed file is left for whoever has read the difference.
fn left_in(name: &str, bytes: &[u8]) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    fs::write(&path, bytes).unwrap();
    path
}

#[test]
fn every_command_of_the_readme_prints_what_stands_behind_it() {
    let bench = Bench::new();
    let text = text_of("README.md");
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    let mut wrong = String::new();
    // Replacements of lines, to be made from the end.
    let mut changes = Vec::new();
    let mut printed: Option<String> = None;
    let mut run = 0;
    for block in blocks(&text) {
        match block.language {
            "sh" => {
                let wanted = match block.argument {
                    "fails" => 2,
                    "not within" => 1,
                    _ => 0,
                };
                for command in block.lines.iter().filter(|line| !NOT_RUN.contains(line)) {
                    let ran = bench.run(&arguments(command));
                    assert_eq!(ran.status, wanted, "`{command}`: {}", ran.err);
                    let shown = ran.out + &ran.err;
                    *printed.get_or_insert_default() += &shown;
                    run += 1;
                }
            }
            "text" => {
                let shown = printed.take().unwrap_or_else(|| {
                    panic!("line {}: output without a command", block.first + 1)
                });
                let shown: Vec<&str> = shown.lines().collect();
                if !matches(&block.lines, &shown) {
                    let _ = writeln!(wrong, "line {}", block.first + 1);
                    changes.push((
                        block.first,
                        block.lines.len(),
                        renewed(&block.lines, &shown),
                    ));
                }
            }
            "csv" | "toml" if !block.argument.is_empty() => {
                let content = block.lines.join("\n") + "\n";
                fs::write(bench.dir.path().join(block.argument), content).unwrap();
                printed = None;
            }
            "csv" | "rust" | "toml" => {}
            other => panic!("line {}: a block of {other:?}", block.first),
        }
    }
    assert!(run > 10, "only {run} commands were found");
    if !wrong.is_empty() {
        for (first, count, new) in changes.into_iter().rev() {
            lines.splice(first..first + count, new);
        }
        let path = left_in("README.md", (lines.join("\n") + "\n").as_bytes());
        panic!(
            "the README shows what the program no longer prints:\n{wrong}as it prints now: {}",
            path.display()
        );
    }
}

#[test]
fn the_picture_of_the_readme_is_what_the_program_draws() {
    let bench = Bench::new();
    assert_eq!(
        bench
            .run(&["link", FROM_A, FROM_B, "--out", "results"])
            .status,
        0
    );
    let drawn = fs::read(bench.dir.path().join("results/plots/HL-204-017-1550.png")).unwrap();
    let kept = fs::read(root().join("sample-traces").join(PICTURE)).unwrap();
    let (new, old) = (
        Pixmap::decode_png(&drawn).unwrap(),
        Pixmap::decode_png(&kept).unwrap(),
    );
    // The mathematics library of another system may move an edge by one of the
    // drawing's units, a quarter of a pixel, which changes a pixel by 64 of 255 at
    // most. One changed digit changes some tens of pixels by more than 100.
    let same_size = (new.width(), new.height()) == (old.width(), old.height());
    let strong = (new.data().chunks_exact(4).zip(old.data().chunks_exact(4)))
        .filter(|(p, q)| p.iter().zip(*q).any(|(x, y)| x.abs_diff(*y) > 100))
        .count();
    if !same_size || strong > 10 {
        let path = left_in(PICTURE, &drawn);
        panic!(
            "sample-traces/{PICTURE} differs in {strong} pixels from what is drawn now: {}",
            path.display()
        );
    }
    assert!(text_of("README.md").contains(&format!("](sample-traces/{PICTURE})")));
}

/// Commands that the program's help names.
fn commands(bench: &Bench) -> Vec<String> {
    let help = bench.run(&["--help"]).out;
    let list = help.split("Commands:\n").nth(1).unwrap();
    let names: Vec<String> = list
        .lines()
        .map_while(|line| line.split_whitespace().next())
        .filter(|name| *name != "help")
        .map(str::to_owned)
        .collect();
    assert!(names.iter().any(|name| name == "link"), "{help}");
    names
}

/// Words of a text that start like an option.
fn options(text: &str) -> BTreeSet<String> {
    text.split(|c: char| !(c.is_ascii_alphanumeric() || c == '-'))
        .filter(|word| word.starts_with("--") && word.len() > 3)
        .map(str::to_owned)
        .collect()
}

#[test]
fn the_readme_names_every_command_option_and_exit_status_and_no_other() {
    let bench = Bench::new();
    let text = text_of("README.md");
    let commands = commands(&bench);
    let mut known = BTreeSet::new();
    for command in &commands {
        assert!(
            text.contains(&format!("bothends {command}")),
            "`bothends {command}` is not in the README"
        );
        known.extend(options(&bench.run(&[command, "--help"]).out));
    }
    known.remove("--help");
    // Behind a name in code must stand a command; the program has no other words.
    for after in text.split("bothends ").skip(1) {
        let word: String = (after.chars())
            .take_while(char::is_ascii_alphanumeric)
            .collect();
        let in_code = text.contains(&format!("`bothends {word}"));
        assert!(
            !in_code || commands.contains(&word),
            "the README names `bothends {word}`, which is no command"
        );
    }
    let of_cargo = ["--release", "--locked", "--path", "--open"];
    let named: BTreeSet<String> = options(&text)
        .into_iter()
        .filter(|option| !of_cargo.contains(&option.as_str()))
        .collect();
    assert_eq!(named, known, "options of the README and of the help");

    let help = bench.run(&["--help"]).out;
    let (_, of_help) = help.split_once("Exit status: ").unwrap();
    let of_help: BTreeSet<char> = of_help.chars().filter(char::is_ascii_digit).collect();
    let (_, table) = text.split_once("## Exit status\n").unwrap();
    let table = table.split("\n## ").next().unwrap();
    let of_readme: BTreeSet<char> = table
        .lines()
        .filter_map(|line| line.strip_prefix("| ")?.chars().next())
        .filter(char::is_ascii_digit)
        .collect();
    assert_eq!(of_readme, of_help);
}

#[test]
fn the_readme_starts_with_the_job_and_the_two_commands() {
    let text = text_of("README.md");
    let first = text.split("\n\n").nth(1).unwrap();
    for word in ["both", "OTDR", "joint", "averages"] {
        assert!(first.contains(word), "{word:?} is not in: {first}");
    }
    let blocks = blocks(&text);
    let commands: Vec<&str> = (blocks.iter().take(2))
        .flat_map(|block| block.lines.iter().copied())
        .collect();
    assert_eq!(
        commands,
        [
            format!("cargo run --release --locked -- link {FROM_A} {FROM_B}").as_str(),
            "cargo test --locked",
        ]
    );
    // What checks a change runs the same tests.
    assert!(text_of(".ci/run").contains("cargo test --locked"));
}

#[test]
fn the_readme_holds_the_cautions() {
    let text = text_of("README.md");
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for caution in [
        "invisible",
        "Never look into a fibre",
        "no traffic is live",
        "glass shards",
        "eye protection",
        "closed container",
        "keep food away",
        "Never use it in gas or vapour",
        "permits",
        "Local codes",
        "licensed practice",
        "a calculation, not an acceptance",
        "What one direction cannot know",
        "what it does not do",
    ] {
        assert!(text.contains(caution), "{caution:?} is not in the README");
    }
}

#[test]
fn links_in_the_documents_lead_to_files() {
    for name in ["README.md", "DEVELOPERS.md"] {
        let text = text_of(name);
        for after in text.split("](").skip(1) {
            let target = after.split(')').next().unwrap();
            if target.starts_with("https://") || target.starts_with('#') {
                continue;
            }
            assert!(root().join(target).exists(), "{name} links to {target}");
        }
    }
}

#[test]
fn the_developers_file_says_why_every_dependency_is_there() {
    let manifest: toml::Table = text_of("Cargo.toml").parse().unwrap();
    let text = text_of("DEVELOPERS.md");
    let (_, table) = text.split_once("## Dependencies\n").unwrap();
    let table = table.split("\n## ").next().unwrap();
    let mut named: Vec<String> = table
        .lines()
        .filter_map(|line| Some(line.strip_prefix("| `")?.split('`').next()?.to_owned()))
        .collect();
    let mut wanted: Vec<String> = ["dependencies", "dev-dependencies"]
        .iter()
        .flat_map(|part| manifest[*part].as_table().unwrap().keys().cloned())
        .collect();
    wanted.sort();
    named.sort();
    assert_eq!(named, wanted);
}

/// A constant in a table is the one in its file: | `src/file.rs` | `NAME` | `value` | …
#[test]
fn the_developers_file_gives_constants_as_they_are() {
    let text = text_of("DEVELOPERS.md");
    let mut rows = 0;
    for line in text.lines() {
        let cells: Vec<&str> = line.split('|').map(str::trim).collect();
        let [_, file, name, value, ..] = cells.as_slice() else {
            continue;
        };
        let Some(file) = (file.strip_prefix('`'))
            .and_then(|file| file.strip_suffix('`'))
            .filter(|file| file.starts_with("src/"))
        else {
            continue;
        };
        let (name, value) = (name.trim_matches('`'), value.trim_matches('`'));
        let source = text_of(file);
        let definition = (source.lines().map(str::trim))
            .find(|line| {
                line.contains(&format!("const {name}:")) || line.starts_with(&format!("{name}:"))
            })
            .unwrap_or_else(|| panic!("{file} has no {name}"));
        let stands = [format!("= {value};"), format!(": {value},")];
        assert!(
            stands.iter().any(|end| definition.ends_with(end)),
            "{file}: `{definition}`, and DEVELOPERS.md says {value}"
        );
        rows += 1;
    }
    assert!(rows > 10, "only {rows} constants were found");
}

/// Modules stand in the order that the layering test holds.
#[test]
fn the_developers_file_names_every_module() {
    let text = text_of("DEVELOPERS.md");
    for line in text_of("src/lib.rs").lines() {
        if let Some(module) = line
            .strip_prefix("pub mod ")
            .and_then(|rest| rest.strip_suffix(';'))
        {
            assert!(
                text.contains(&format!("`{module}`")),
                "DEVELOPERS.md does not name `{module}`"
            );
        }
    }
}
