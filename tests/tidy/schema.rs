//! Where the numbers of states may occur: in the schema, and in the type that owns them. Checks the text of queries
//! only; the program's own tests check what a database makes of them.

use crate::source::{Breach, Source, below};
use crate::{expect_none, plant};

#[test]
fn no_query_compares_a_state_with_a_number() {
    let sources = below("src");
    expect_none(
        "what state 3 is nobody can guess: bind the state, or ask for a column or view of \
         src/job/catalogue/schema.sql that names it",
        sources.iter().flat_map(numbered_states),
    );
}

/// Every comparison of a column `state` with a number, in the text of a query that may span several lines.
fn numbered_states(source: &Source) -> Vec<Breach> {
    let (text, code): (Vec<char>, Vec<char>) =
        (source.text.chars().collect(), source.code.chars().collect());
    let word: Vec<char> = "state".chars().collect();
    let is_part = |c: Option<&char>| c.is_some_and(|c| c.is_ascii_alphanumeric() || *c == '_');
    let begins = (0..text.len()).filter(|at| {
        let is_word = text[*at..].starts_with(&word)
            && !is_part(at.checked_sub(1).and_then(|before| text.get(before)))
            && !is_part(text.get(at + word.len()));
        // Where the code is blank there is text or a comment.
        is_word && code.get(*at) == Some(&' ')
    });
    let found = begins.filter_map(|at| {
        let rest: String = text[at + word.len()..].iter().take(200).collect();
        let rest = rest.replace("\\\n", " ");
        let rest = rest.trim_start();
        let operators = [
            "=", "<>", "!=", "<=", ">=", "<", ">", "IN", "NOT IN", "BETWEEN", "IS", "IS NOT",
            "WHEN",
        ];
        let values = operators.iter().filter_map(|operator| rest.strip_prefix(operator));
        let number = values
            .map(|value| value.trim_start_matches([' ', '(', '\n']))
            .find(|value| value.starts_with(|c: char| c.is_ascii_digit()))?;
        let line = 1 + text[..at].iter().filter(|c| **c == '\n').count();
        let shown: String = number.chars().take_while(char::is_ascii_digit).collect();
        Some(source.breach(line, format!("a state is compared with {shown}")))
    });
    found.collect()
}

#[test]
fn this_rule_sees_what_it_should() {
    let seen = |text: &str| numbered_states(&plant("src/job/catalogue/a.rs", text)).len();
    for (text, found) in [
        ("let sql = \"SELECT 1 FROM file WHERE state = 1\";", 1),
        ("let sql = \"SET state = 0 WHERE state IN (1, 5)\";", 2),
        ("let sql = \"f.state \\\n    NOT IN (2) AND p.state>=6\";", 2),
        ("let sql = \"CASE state WHEN 1 THEN 2 END\";", 1),
        ("let sql = \"state = ?1 AND is_present AND first_state = 1\";", 0),
        ("let state = 1;", 0),
    ] {
        assert_eq!(seen(text), found, "{text}");
    }
    let lines = plant("src/a.rs", "fn f() {}\nconst A: &str = \"state = 1\";\n");
    assert_eq!(numbered_states(&lines), [lines.breach(2, "a state is compared with 1")]);
}
