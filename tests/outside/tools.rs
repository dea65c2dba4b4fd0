//! The programs from outside: coreutils, `diff`, and two Python packages in their own environment. A missing one fails
//! the test: a check that cannot be made has not been made.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::LazyLock;

/// The versions that the checks were written for.
const PACKAGES: [(&str, &str); 2] = [("bagit", "1.9.0"), ("cryptography-vectors", "50.0.2")];

/// The output of a program, and how it ended.
pub(crate) struct ToolOutput {
    pub(crate) code: Option<i32>,
    pub(crate) out: String,
    pub(crate) err: String,
}

/// Runs a program to its end, in a folder, in plain English.
pub(crate) fn run(program: impl AsRef<OsStr>, args: &[&OsStr], folder: &Path) -> ToolOutput {
    let program = program.as_ref();
    let mut command = Command::new(program);
    // The program under test is a hundred times as long as the one installed.
    command.env("COUNTERFOIL_PROGRAMS", folder.join("programs"));
    command.args(args).current_dir(folder).env("LC_ALL", "C").env("TZ", "UTC");
    let Output { status, stdout, stderr } = command.output().unwrap_or_else(|error| {
        panic!("{} cannot be run ({error}): tests/all installs what is needed", program.display())
    });
    ToolOutput {
        code: status.code(),
        out: String::from_utf8_lossy(&stdout).into_owned(),
        err: String::from_utf8_lossy(&stderr).into_owned(),
    }
}

/// The Python that has the packages; fails if it, or one of them in the right version, is missing.
pub(crate) fn python() -> &'static Path {
    static FOUND: LazyLock<PathBuf> = LazyLock::new(find_python);
    &FOUND
}

fn find_python() -> PathBuf {
    let venv = match std::env::var_os("COUNTERFOIL_TEST_VENV") {
        Some(given) => PathBuf::from(given),
        None => Path::new(env!("CARGO_MANIFEST_DIR")).join("target/test-venv"),
    };
    let python = venv.join("bin/python");
    assert!(python.exists(), "{} is not there: run tests/all, which makes it", python.display());
    for (package, version) in PACKAGES {
        let ask = format!("import importlib.metadata as m; print(m.version({package:?}))");
        let output = run(&python, &["-c".as_ref(), ask.as_ref()], &venv);
        let err = output.err;
        assert_eq!(
            output.out.trim(),
            version,
            "{package}: run tests/all, which installs it\n{err}"
        );
    }
    python
}

/// The folder of NIST's SHA-2 vectors, in the PyPI package `cryptography-vectors`.
pub(crate) fn nist_vectors() -> PathBuf {
    let ask = "import cryptography_vectors as v, os; print(os.path.dirname(v.__file__))";
    let output = run(python(), &["-c".as_ref(), ask.as_ref()], Path::new("/"));
    PathBuf::from(output.out.trim()).join("hashes/SHA2")
}

/// The validator of the PyPI package `bagit` on a bag.
pub(crate) fn validator(bag: &Path) -> ToolOutput {
    // Without --validate it would rewrite the folder.
    let args = ["-m".as_ref(), "bagit".as_ref(), "--validate".as_ref(), bag.as_os_str()];
    run(python(), &args, Path::new("/"))
}

/// `sha256sum -c` on a bag's manifest (coreutils).
pub(crate) fn sha256sum_check(bag: &Path) -> ToolOutput {
    let args = ["--quiet", "--strict", "-c", "manifest-sha256.txt"];
    run("sha256sum", &args.map(OsStr::new), bag)
}

/// `diff -r` of two trees: its output, empty if they are alike.
pub(crate) fn diff(a: &Path, b: &Path) -> String {
    let args = ["-r".as_ref(), "--no-dereference".as_ref(), a.as_os_str(), b.as_os_str()];
    let output = run("diff", &args, Path::new("/"));
    assert!(matches!(output.code, Some(0 | 1)), "diff failed: {}", output.err);
    output.out
}

/// Seconds since 1970 in the form of RFC 3339, as `date` of coreutils prints it.
pub(crate) fn date_of(seconds: i64) -> String {
    let at = format!("@{seconds}");
    let args = ["-u", "-d", &at, "+%Y-%m-%dT%H:%M:%SZ"].map(OsStr::new);
    run("date", &args, Path::new("/")).out.trim().to_owned()
}
