//! How many cases a test tries: all under `tests/all`, fewer in a plain `cargo test`, so that it ends soon. Never
//! leaves a test out: `tests/plain` lists what a plain run does not do, and names every test that uses this.

/// Set to `all` by `tests/all`; `tests/runner` reads it too.
const VARIABLE: &str = "COUNTERFOIL_TESTS";

/// `all` of them, or as many as are enough for a plain run.
pub(crate) fn cases<N>(all: N, plain: N) -> N {
    match std::env::var(VARIABLE).is_ok_and(|which| which == "all") {
        true => all,
        false => plain,
    }
}
