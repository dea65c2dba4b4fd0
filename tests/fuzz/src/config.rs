//! What must hold of the reader of the config: what is in force, printed, is a config that means the same.

use counterfoil::cli::config_in_force;

/// Holds the reader against one input, the text of a config.
pub fn hold(input: &[u8]) {
    let Ok(text) = std::str::from_utf8(input) else { return };
    let Ok(printed) = config_in_force(text) else { return };
    let steers = |c: char| {
        c != '\n' && c.is_control()
            || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    assert!(!printed.contains(steers), "{printed:?}");
    match config_in_force(&printed) {
        Ok(again) => assert_eq!(again, printed, "it means something else"),
        Err(why) => panic!("{why}\nis said of what was printed:\n{printed}"),
    }
}
