//! Words: arguments, config, notices, reports, exit codes. The only layer that speaks to a person.
