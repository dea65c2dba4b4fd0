//! A restore that was refused, as it is to be typed again with what was lacking.
//! Never leaves out an option that was given.

use crate::cli::args::RestoreArgs;
use crate::cli::resolved::Resolved;
use crate::cli::shell::option;

/// This restore as it is to be typed again, with more options.
pub(super) fn typed_again(resolved: &Resolved, args: &RestoreArgs, more: &str) -> String {
    let flags = [
        (args.dry_run, "--dry-run"),
        (args.with_removed, "--with-removed"),
        (args.with_doubtful, "--with-doubtful"),
        (args.with_config, "--with-config"),
        (args.config_seen, "--config-seen"),
        (args.rehearse, "--rehearse"),
        (args.scope.json, "--json"),
    ];
    let flags = flags.into_iter().filter(|(given, _)| *given);
    let flags: String = flags.map(|(_, flag)| format!(" {flag}")).collect();
    let paths =
        [("--into", &args.into), ("--repair", &args.repair), ("--versions", &args.versions)];
    let paths =
        paths.into_iter().filter_map(|(name, path)| Some(option(name, path.as_ref()?.as_os_str())));
    let paths: String = paths.collect();
    format!("counterfoil restore{}{paths}{flags}{more}", resolved.options)
}
