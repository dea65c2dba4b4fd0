//! No cycle between the files of one layer: each can be read after those that it uses. Considers paths, and in the
//! catalogue the methods of `Catalogue`; never the methods of any other type.

use crate::source::{Breach, Named, Source, below, item_end};
use crate::{expect_none, plant};
use std::collections::{BTreeMap, BTreeSet};

/// Where one type's methods are spread over several files: calls of them are uses too.
const SPREAD: (&str, &str) = ("src/job/catalogue/", "Catalogue");

#[test]
fn the_files_of_a_layer_use_each_other_in_no_circle() {
    expect_none(
        "two files that use each other can only be read, tested and changed together. Move what both \
         need to a file that both use",
        in_circles(&below("src")),
    );
}

/// A use of one file by another: the line, and the name used.
struct Use {
    by: usize,
    of: usize,
    line: usize,
    what: String,
}

/// Every use that is part of a cycle.
fn in_circles(sources: &[Source]) -> Vec<Breach> {
    let layer = |at: usize| sources[at].path.split('/').nth(1);
    let mut uses = Tree::of(sources).uses(sources);
    uses.extend(calls(sources));
    uses.retain(|found| found.by != found.of && layer(found.by) == layer(found.of));
    let mut next = vec![BTreeSet::new(); sources.len()];
    for found in &uses {
        next[found.by].insert(found.of);
    }
    let reached: Vec<_> = (0..sources.len()).map(|from| reached_from(from, &next)).collect();
    let circle = uses.iter().filter(|found| reached[found.of].contains(&found.by));
    let shown = |found: &Use| {
        let what = format!("{}, of {}", found.what, sources[found.of].path);
        sources[found.by].breach(found.line, what)
    };
    circle.map(shown).collect()
}

fn reached_from(from: usize, next: &[BTreeSet<usize>]) -> BTreeSet<usize> {
    let (mut reached, mut open) = (BTreeSet::new(), vec![from]);
    while let Some(at) = open.pop() {
        open.extend(next[at].iter().filter(|to| reached.insert(**to)));
    }
    reached
}

/// A path from the crate's root.
type Path = Vec<String>;

/// The modules of the crate, and the origin of each re-exported name.
struct Tree {
    files: BTreeMap<Path, usize>,
    exports: BTreeMap<(Path, String), Path>,
}

impl Tree {
    fn of(sources: &[Source]) -> Self {
        let files = sources.iter().enumerate().map(|(at, source)| (module_of(source), at));
        let mut tree = Self { files: files.collect(), exports: BTreeMap::new() };
        for source in sources {
            let own = module_of(source);
            for named in source.named().iter().filter(|named| is_export(source, named)) {
                if let (Some(path), Some(name)) = (tree.absolute(&own, named), named.parts.last()) {
                    tree.exports.insert((own.clone(), name.clone()), path);
                }
            }
        }
        tree
    }

    fn uses(&self, sources: &[Source]) -> Vec<Use> {
        let mut all = Vec::new();
        for (by, source) in sources.iter().enumerate() {
            let own = module_of(source);
            let named: Vec<_> =
                source.named().into_iter().filter(|named| !source.is_test(named.line)).collect();
            let imports: BTreeMap<_, _> = named
                .iter()
                .filter(|named| is_import(source, named))
                .filter_map(|named| self.absolute(&own, named))
                .filter(|path| self.files.contains_key(path))
                .filter_map(|path| Some((path.last()?.clone(), path)))
                .collect();
            // A re-exported name is used by whoever imports it.
            for found in named.iter().filter(|named| !is_export(source, named)) {
                let through = imports.get(&found.parts[0]);
                let path = match through {
                    Some(import) => Some([import, &found.parts[1..]].concat()),
                    None => self.absolute(&own, found),
                };
                if let Some(of) = path.and_then(|path| self.file_of(path)) {
                    all.push(Use { by, of, line: found.line, what: found.parts.join("::") });
                }
            }
        }
        all
    }

    /// A path in a file as one from the root, if it is the crate's own. If it names a module, it ends with the module's
    /// name.
    fn absolute(&self, own: &[String], named: &Named) -> Option<Path> {
        let parts = match named.parts.split_last() {
            Some((last, before)) if last == "self" => before,
            _ => &named.parts,
        };
        let up = parts.iter().take_while(|part| *part == "super").count();
        Some(match parts.first()?.as_str() {
            "crate" => parts[1..].to_vec(),
            "super" => [own.get(..own.len().checked_sub(up)?)?, &parts[up..]].concat(),
            "self" => [own, &parts[1..]].concat(),
            first => {
                let child = [own, &[first.to_owned()]].concat();
                self.files.get(&child)?;
                [own, parts].concat()
            }
        })
    }

    /// The file that defines a name. A module itself does not count as a use of a thing in it.
    fn file_of(&self, mut path: Path) -> Option<usize> {
        // A name is re-exported through a few modules at most.
        for _ in 0..8 {
            let deep =
                (0..path.len()).rev().find(|deep| self.files.contains_key(&path[..*deep]))?;
            if self.files.contains_key(&path) {
                return None;
            }
            match self.exports.get(&(path[..deep].to_vec(), path[deep].clone())) {
                Some(target) => path = [target, &path[deep + 1..]].concat(),
                None => return self.files.get(&path[..deep]).copied(),
            }
        }
        None
    }
}

fn module_of(source: &Source) -> Path {
    let path = source.path.trim_start_matches("src/").trim_end_matches(".rs");
    path.split('/').filter(|part| !["mod", "lib"].contains(part)).map(str::to_owned).collect()
}

/// Whether a path is in a `use`; rustfmt begins a line with each.
fn is_import(source: &Source, named: &Named) -> bool {
    let line = source.code.lines().nth(named.line - 1).unwrap_or_default().trim_start();
    line.starts_with("use ") || line.starts_with("pub") && line.contains(" use ")
}

fn is_export(source: &Source, named: &Named) -> bool {
    let line = source.code.lines().nth(named.line - 1).unwrap_or_default().trim_start();
    line.starts_with("pub") && is_import(source, named)
}

/// The calls of methods that the spread type has in one file only, from its own methods and from code with a variable
/// called `catalogue`.
fn calls(sources: &[Source]) -> Vec<Use> {
    let (folder, holder) = (SPREAD.0, SPREAD.1.to_lowercase());
    let spread = || sources.iter().enumerate().filter(|(_, s)| s.path.starts_with(folder));
    let mut defined: BTreeMap<&str, BTreeSet<usize>> = BTreeMap::new();
    for (at, source) in spread() {
        for block in own_blocks(source) {
            let names = source.code[block].split("fn ").skip(1);
            for name in names.filter_map(|rest| rest.split(['(', '<']).next()) {
                defined.entry(name).or_default().insert(at);
            }
        }
    }
    let mut all = Vec::new();
    for (by, source) in spread() {
        let blocks = own_blocks(source);
        let ways = [(".", "self", holder.as_str()), ("::", "Self", SPREAD.1)];
        for (joint, own, other) in ways {
            for (at, _) in source.code.match_indices(joint) {
                let before = source.code[..at].trim_end();
                let is_own =
                    before.ends_with(own) && blocks.iter().any(|block| block.contains(&at));
                let rest = &source.code[at + joint.len()..];
                let name =
                    rest.split(|c: char| !c.is_alphanumeric() && c != '_').next().unwrap_or("");
                let line = before.matches('\n').count() + 1;
                if let (Some(of), true) = (defined.get(name), rest[name.len()..].starts_with('('))
                    && (is_own || before.ends_with(other))
                    && !source.is_test(line)
                    && of.len() == 1
                {
                    let what = format!("{}::{name}", SPREAD.1);
                    all.extend(of.iter().map(|of| Use { by, of: *of, line, what: what.clone() }));
                }
            }
        }
    }
    all
}

/// Where a file adds methods to the spread type.
fn own_blocks(source: &Source) -> Vec<std::ops::Range<usize>> {
    let mark = format!("impl {} {{", SPREAD.1);
    let blocks = source.code.match_indices(&mark);
    blocks.map(|(at, _)| at..item_end(&source.code, at)).collect()
}

/// Planted cycles, so that a rule that no longer detects anything is noticed.
#[test]
fn these_rules_see_what_they_should() {
    let found = |files: &[(&str, &str)]| -> Vec<(String, usize, String)> {
        let sources: Vec<_> = files.iter().map(|(path, text)| plant(path, text)).collect();
        in_circles(&sources).into_iter().map(|b| (b.0, b.1, b.2)).collect()
    };
    let hit = |path: &str, line, what: &str| (path.to_owned(), line, what.to_owned());

    let exported = ("src/job/mod.rs", "mod ink;\nmod pen;\npub use ink::{Ink, Wet};\n");
    let pen = ("src/job/pen.rs", "use super::Ink;\npub struct Pen(Ink);\n");
    let ink = ("src/job/ink.rs", "pub struct Ink;\nfn f() -> crate::job::pen::Pen { g() }\n");
    assert_eq!(
        found(&[exported, pen, ink]),
        [
            hit("src/job/pen.rs", 1, "super::Ink, of src/job/ink.rs"),
            hit("src/job/ink.rs", 2, "crate::job::pen::Pen, of src/job/pen.rs"),
        ],
        "through a name given again"
    );
    let lone = (
        "src/job/ink.rs",
        "pub struct Ink;\n#[cfg(test)]\nmod tests {\n    use super::super::pen::Pen;\n}\n",
    );
    assert_eq!(found(&[exported, pen, lone]), [], "tests may look at whatever they test with");

    let parent = (
        "src/job/mod.rs",
        "mod ink;\nmod pen;\nfn f() -> pen::Pen { pen::new() }\npub fn g() {}\n",
    );
    let asks = ("src/job/pen.rs", "use crate::job;\nfn h() { job::g() }\n");
    assert_eq!(found(&[parent, asks, lone]).len(), 3, "a folder's own file is one too");
    let ring = [("a", "b"), ("b", "c"), ("c", "a")].map(|(own, next)| {
        (format!("src/disk/{own}.rs"), format!("use super::{next};\nfn f() {{ {next}::f() }}\n"))
    });
    let ring: Vec<_> = ring.iter().map(|(path, text)| (path.as_str(), text.as_str())).collect();
    assert_eq!((found(&ring).len(), found(&ring[..2]).len()), (3, 0), "of three");
    let up = ("src/cli/pen.rs", "use crate::job::ink::Ink;\n");
    let down = ("src/job/ink.rs", "use crate::cli::pen::Pen;\n");
    assert_eq!(found(&[up, down]), [], "the order of the layers is another rule's");

    let one = "impl Catalogue {\n    pub fn first(&self) { Self::second(self) }\n}\n";
    let two = "impl Catalogue {\n    fn second(&self) {}\n}\nfn f(catalogue: &Catalogue) { catalogue\n    .first() }\n";
    let (one, two) = (("src/job/catalogue/one.rs", one), ("src/job/catalogue/two.rs", two));
    assert_eq!(
        found(&[one, two]),
        [
            hit("src/job/catalogue/one.rs", 2, "Catalogue::second, of src/job/catalogue/two.rs"),
            hit("src/job/catalogue/two.rs", 4, "Catalogue::first, of src/job/catalogue/one.rs"),
        ]
    );
    let other = (
        "src/job/catalogue/two.rs",
        "impl Catalogue {\n    fn second(&self) {}\n}\nfn f(q: Q) { q.first() }\n",
    );
    assert_eq!(found(&[one, other]), [], "another type's method");
}
