//! The one-way rule between modules, and other rules that a reader can see in the text.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// Modules in the order of the data: each may use those before it.
const ORDER: [&str; 14] = [
    "units",
    "warning",
    "trace",
    "read",
    "detect",
    "measure",
    "both_ways",
    "verdict",
    "cable",
    "compare",
    "report",
    "plot",
    "pack",
    "cli",
];

/// Lines from which a file holds two ideas.
const LONGEST: usize = 600;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Every file below a folder, in order; build output and version control left out.
fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).into_iter().flatten().flatten() {
            let path = entry.path();
            let name = entry.file_name();
            if path.is_dir() {
                if name != "target" && name != ".git" {
                    folders.push(path);
                }
            } else if name != ".git" {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

/// Path below `src` and text of every source file.
fn sources() -> Vec<(PathBuf, String)> {
    let src = root().join("src");
    let found: Vec<_> = files(&src)
        .into_iter()
        .filter(|path| path.extension().is_some_and(|e| e == "rs"))
        .filter_map(|path| {
            let text = fs::read_to_string(&path).ok()?;
            Some((path.strip_prefix(&src).ok()?.to_path_buf(), text))
        })
        .collect();
    assert!(found.len() > 20, "the sources were not found");
    found
}

/// The module of the crate's root that a source file belongs to.
fn module_of(path: &Path) -> String {
    path.components().next().map_or_else(String::new, |part| {
        let name = part.as_os_str().to_string_lossy();
        name.strip_suffix(".rs").unwrap_or(&name).to_owned()
    })
}

/// Root modules that a text names after `crate::`, alone or in braces; comments do
/// not count.
fn named(text: &str) -> BTreeSet<String> {
    let code: String = text
        .lines()
        .filter(|line| !line.trim_start().starts_with("//"))
        .flat_map(|line| [line, "\n"])
        .collect();
    let mut found = BTreeSet::new();
    for after in code.split("crate::").skip(1) {
        let mut depth = 0;
        let mut word = String::new();
        let mut at_start = true;
        for letter in after.chars() {
            match letter {
                '_' | 'a'..='z' | 'A'..='Z' | '0'..='9' if at_start => {
                    word.push(letter);
                    continue;
                }
                _ => {}
            }
            if at_start && !word.is_empty() {
                found.insert(std::mem::take(&mut word));
            }
            match letter {
                '{' => {
                    depth += 1;
                    at_start = depth == 1;
                }
                '}' => depth -= 1,
                ',' if depth == 1 => at_start = true,
                letter if letter.is_whitespace() && depth > 0 => {}
                _ => at_start = false,
            }
            if depth == 0 && letter != '{' {
                break;
            }
        }
    }
    found
}

#[test]
fn names_after_the_root_are_found_alone_and_in_braces() {
    let text = "use crate::units::{Loss, Length};\n// crate::cli\nuse crate::{\n    trace::Trace,\n    \
                warning::{A, B},\n};\nfn f() { crate::read::g() }";
    let expected = ["read", "trace", "units", "warning"].map(str::to_owned);
    assert_eq!(named(text), BTreeSet::from(expected));
}

#[test]
fn every_module_uses_only_modules_before_it() {
    let rank: BTreeMap<&str, usize> = ORDER.iter().enumerate().map(|(i, m)| (*m, i)).collect();
    let mut wrong = Vec::new();
    for (path, text) in sources() {
        let module = module_of(&path);
        if module == "lib" || module == "main" {
            continue;
        }
        for used in named(&text) {
            if used == module {
                continue;
            }
            let may = match (module.as_str(), used.as_str()) {
                // A formula shared with what measures would hide a mistake in both.
                ("simulate", used) => used == "units" || used == "trace",
                ("cli", "simulate") => true,
                (module, used) => match (rank.get(module), rank.get(used)) {
                    (Some(this), Some(other)) => other < this,
                    _ => false,
                },
            };
            if !may {
                wrong.push(format!("{} uses {used}", path.display()));
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "against the order {ORDER:?} (simulate: only units and trace, and only cli uses it): \
         {wrong:#?}"
    );
}

/// Parents of a file's module, from which `super` counts: none may climb past the
/// module of the crate's root, or the order could be walked round.
#[test]
fn no_path_climbs_over_its_root_module() {
    for (path, text) in sources() {
        let depth = path.components().count();
        for line in text.lines() {
            let climbs = line.matches("super::").count();
            // One more inside `mod tests`, which only these lines are in.
            let indented = usize::from(line.starts_with(' '));
            assert!(
                climbs < depth + indented || climbs <= 1,
                "{}: {line}",
                path.display()
            );
        }
    }
}

#[test]
fn every_source_file_is_named_by_its_parent() {
    let sources = sources();
    let texts: BTreeMap<&Path, &String> = sources.iter().map(|(p, t)| (p.as_path(), t)).collect();
    for (path, _) in &sources {
        let stem = path.file_stem().unwrap_or_default().to_string_lossy();
        let folder = path.parent().unwrap_or(Path::new(""));
        if folder == Path::new("") && (stem == "lib" || stem == "main") {
            continue;
        }
        let (name, above) = if stem == "mod" {
            let name = folder.file_name().unwrap_or_default().to_string_lossy();
            (name, folder.parent().unwrap_or(Path::new("")))
        } else {
            (stem, folder)
        };
        let parents = [
            above.join("mod.rs"),
            above.with_extension("rs"),
            above.join("lib.rs"),
            above.join("main.rs"),
        ];
        let is_named = parents
            .iter()
            .filter_map(|parent| texts.get(parent.as_path()))
            .flat_map(|text| text.lines())
            .filter_map(|line| line.trim().strip_suffix(';')?.split_once("mod "))
            .any(|(_, found)| found == name);
        assert!(
            is_named,
            "{} is named by no `mod` line and never compiled",
            path.display()
        );
    }
}

#[test]
fn no_file_is_too_long() {
    let tests = files(&root().join("tests"))
        .into_iter()
        .filter(|path| path.extension().is_some_and(|e| e == "rs"))
        .filter_map(|path| Some((path.clone(), fs::read_to_string(path).ok()?)));
    let long: Vec<String> = sources()
        .into_iter()
        .chain(tests)
        .map(|(path, text)| (path, text.lines().count()))
        .filter(|(_, lines)| *lines > LONGEST)
        .map(|(path, lines)| format!("{}: {lines} lines", path.display()))
        .collect();
    assert!(long.is_empty(), "more than {LONGEST} lines: {long:#?}");
}

#[test]
fn the_library_does_not_look_at_a_clock_and_has_no_unsafe_code() {
    for (path, text) in sources() {
        for word in [
            "SystemTime",
            "Instant::now",
            "time::Instant",
            "unsafe {",
            "unsafe fn",
            "unsafe impl",
        ] {
            assert!(!text.contains(word), "{} holds `{word}`", path.display());
        }
    }
}

/// A path of one machine works on no other.
#[test]
fn no_file_names_a_path_of_one_machine() {
    let roots = ["home", "Users", "root", "tmp", "work"].map(|name| format!("/{name}/"));
    for path in files(root()) {
        let Ok(text) = fs::read_to_string(&path) else {
            continue;
        };
        for (number, line) in text.lines().enumerate() {
            for start in &roots {
                // A web address or a folder of the repository may hold the word.
                let absolute = line.match_indices(start.as_str()).any(|(at, _)| {
                    line.get(..at)
                        .and_then(|before| before.chars().next_back())
                        .is_none_or(|c| !(c.is_alphanumeric() || "./-_~".contains(c)))
                });
                assert!(!absolute, "{} line {}: {line}", path.display(), number + 1);
            }
        }
    }
}
