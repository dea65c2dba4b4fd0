# Print an optspec for argparse to handle cmd's options that are independent of any subcommand.
function __fish_counterfoil_global_optspecs
    string join \n c/config= v/verbose q/quiet color= h/help V/version
end

function __fish_counterfoil_needs_command
    # Figure out if the current invocation already has a command.
    set -l cmd (commandline -opc)
    set -e cmd[1]
    argparse -s (__fish_counterfoil_global_optspecs) -- $cmd 2>/dev/null
    or return
    if set -q argv[1]
        # Also print the command, so this can be used to figure out what it is.
        echo $argv[1]
        return 1
    end
    return 0
end

function __fish_counterfoil_using_subcommand
    set -l cmd (__fish_counterfoil_needs_command)
    test -z "$cmd"
    and return 1
    contains -- $cmd[1] $argv
end

complete -c counterfoil -n "__fish_counterfoil_needs_command" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_needs_command" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_needs_command" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_needs_command" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_needs_command" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_needs_command" -s V -l version -d 'Print version'
complete -c counterfoil -n "__fish_counterfoil_needs_command" -f -a "watch" -d 'Watch the mailbox and the drives, and keep them alike, until stopped'
complete -c counterfoil -n "__fish_counterfoil_needs_command" -f -a "mirror" -d 'Bring every drive up to date once'
complete -c counterfoil -n "__fish_counterfoil_needs_command" -f -a "status" -d 'What is safe now, drive by drive'
complete -c counterfoil -n "__fish_counterfoil_needs_command" -f -a "audit" -d 'What is unmirrored, and why'
complete -c counterfoil -n "__fish_counterfoil_needs_command" -f -a "traffic" -d 'The communications log of a period: what came in and what went out'
complete -c counterfoil -n "__fish_counterfoil_needs_command" -f -a "verify" -d 'Read every copy on the drives again and compare its hash'
complete -c counterfoil -n "__fish_counterfoil_needs_command" -f -a "restore" -d 'Put the mailbox back from the drives'
complete -c counterfoil -n "__fish_counterfoil_needs_command" -f -a "acknowledge" -d 'Decide that messages which are missing, or which a stick alone has, are not wanted back'
complete -c counterfoil -n "__fish_counterfoil_needs_command" -f -a "drives" -d 'The drives known, what each holds, when last seen, when last proven'
complete -c counterfoil -n "__fish_counterfoil_needs_command" -f -a "config" -d 'Look at the config'
complete -c counterfoil -n "__fish_counterfoil_needs_command" -f -a "demo" -d 'The whole job in a temporary folder, as a story'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand watch" -l mailbox -d 'A mailbox, or NAME=DIR [default name: the folder\'s own]; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand watch" -l drive -d 'A folder used as a drive, instead of any other; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand watch" -l station -d 'The name under which the copies are kept on a drive [default: the host\'s name]' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand watch" -l state -d 'Where the catalogue is kept' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand watch" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand watch" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand watch" -l count-same-device -d 'Count copies on the mailbox\'s own card or disk too, though they are lost with it: for trying things out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand watch" -l json -d 'One JSON object on standard output, and nothing else there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand watch" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand watch" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand watch" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand mirror" -l mailbox -d 'A mailbox, or NAME=DIR [default name: the folder\'s own]; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand mirror" -l drive -d 'A folder used as a drive, instead of any other; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand mirror" -l station -d 'The name under which the copies are kept on a drive [default: the host\'s name]' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand mirror" -l state -d 'Where the catalogue is kept' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand mirror" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand mirror" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand mirror" -l count-same-device -d 'Count copies on the mailbox\'s own card or disk too, though they are lost with it: for trying things out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand mirror" -l json -d 'One JSON object on standard output, and nothing else there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand mirror" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand mirror" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand mirror" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand status" -l mailbox -d 'A mailbox, or NAME=DIR [default name: the folder\'s own]; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand status" -l drive -d 'A folder used as a drive, instead of any other; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand status" -l station -d 'The name under which the copies are kept on a drive [default: the host\'s name]' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand status" -l state -d 'Where the catalogue is kept' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand status" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand status" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand status" -l count-same-device -d 'Count copies on the mailbox\'s own card or disk too, though they are lost with it: for trying things out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand status" -l json -d 'One JSON object on standard output, and nothing else there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand status" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand status" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand status" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand audit" -l mailbox -d 'A mailbox, or NAME=DIR [default name: the folder\'s own]; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand audit" -l drive -d 'A folder used as a drive, instead of any other; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand audit" -l station -d 'The name under which the copies are kept on a drive [default: the host\'s name]' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand audit" -l state -d 'Where the catalogue is kept' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand audit" -l html -d 'Write a page for a browser or for paper to FILE' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand audit" -l save -d 'Write audit.html and audit.json into DIR, as the daemon does in its state folder' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand audit" -l csv -d 'Write every message that is not safe to FILE, a table for a spreadsheet' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand audit" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand audit" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand audit" -l count-same-device -d 'Count copies on the mailbox\'s own card or disk too, though they are lost with it: for trying things out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand audit" -l json -d 'One JSON object on standard output, and nothing else there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand audit" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand audit" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand audit" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l mailbox -d 'A mailbox, or NAME=DIR [default name: the folder\'s own]; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l drive -d 'A folder used as a drive, instead of any other; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l station -d 'The name under which the copies are kept on a drive [default: the host\'s name]' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l state -d 'Where the catalogue is kept' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l from -d 'From then on: a date, a date and time, RFC 3339 or a date-time group' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l to -d 'Up to then, with all of the day or the minute named' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l html -d 'Write the log as a page, to be read and to be printed' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l csv -d 'Write the log as a table for a spreadsheet' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l incident -d 'The incident\'s name' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l activation -d 'Its number' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l operator -d 'The radio operator: name and call sign' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l prepared-by -d 'Who prepared the log: name and call sign' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l time -d 'The zone of its times [default: utc]' -r -f -a "utc\t'UTC'
local\t'The station\'s local time'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l received -d 'Folders with mail that came in; may be repeated' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l sent -d 'Folders with mail that went out; may be repeated' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l count-same-device -d 'Count copies on the mailbox\'s own card or disk too, though they are lost with it: for trying things out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l json -d 'One JSON object on standard output, and nothing else there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -l without-subjects -d 'Leave the subjects out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand traffic" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand verify" -l mailbox -d 'A mailbox, or NAME=DIR [default name: the folder\'s own]; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand verify" -l drive -d 'A folder used as a drive, instead of any other; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand verify" -l station -d 'The name under which the copies are kept on a drive [default: the host\'s name]' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand verify" -l state -d 'Where the catalogue is kept' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand verify" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand verify" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand verify" -l count-same-device -d 'Count copies on the mailbox\'s own card or disk too, though they are lost with it: for trying things out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand verify" -l json -d 'One JSON object on standard output, and nothing else there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand verify" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand verify" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand verify" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -l mailbox -d 'A mailbox, or NAME=DIR [default name: the folder\'s own]; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -l drive -d 'A folder used as a drive, instead of any other; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -l station -d 'The name under which the copies are kept on a drive [default: the host\'s name]' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -l state -d 'Where the catalogue is kept' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -l into -d 'Put it here instead of into the mailboxes that the config or --mailbox names: one mailbox directly, several each under its name' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -l repair -d 'Put back the good version of this one message (MAILBOX/PATH, or its file) that the card has damaged; the damaged file is kept next to it' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -l versions -d 'Bring back the older versions of this one message too (MAILBOX/PATH), next to it' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -l count-same-device -d 'Count copies on the mailbox\'s own card or disk too, though they are lost with it: for trying things out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -l json -d 'One JSON object on standard output, and nothing else there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -l dry-run -d 'Say what would be done, and do nothing'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -l with-removed -d 'Bring back messages too whose deletion was seen'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -l with-doubtful -d 'Bring back too, under recovered/, copies that look like what a power failure left'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -l with-config -d 'Put the station\'s config back too, as the drive carries it, without its [notify]: shows it and asks before; never over one that is there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -l config-seen -d 'Put the config back without a question, after it was shown: you have seen it before'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -l rehearse -d 'Try it: restore into a temporary folder, compare with the drives and the mailbox, and keep the date'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand restore" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand acknowledge" -l mailbox -d 'A mailbox, or NAME=DIR [default name: the folder\'s own]; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand acknowledge" -l drive -d 'A folder used as a drive, instead of any other; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand acknowledge" -l station -d 'The name under which the copies are kept on a drive [default: the host\'s name]' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand acknowledge" -l state -d 'Where the catalogue is kept' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand acknowledge" -l only-on -d 'All messages that this drive has and the mailbox lacks: they shall stay away from it' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand acknowledge" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand acknowledge" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand acknowledge" -l count-same-device -d 'Count copies on the mailbox\'s own card or disk too, though they are lost with it: for trying things out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand acknowledge" -l json -d 'One JSON object on standard output, and nothing else there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand acknowledge" -l missing -d 'All messages that are missing from the mailbox'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand acknowledge" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand acknowledge" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand acknowledge" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -l mailbox -d 'A mailbox, or NAME=DIR [default name: the folder\'s own]; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -l drive -d 'A folder used as a drive, instead of any other; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -l station -d 'The name under which the copies are kept on a drive [default: the host\'s name]' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -l state -d 'Where the catalogue is kept' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -l count-same-device -d 'Count copies on the mailbox\'s own card or disk too, though they are lost with it: for trying things out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -l json -d 'One JSON object on standard output, and nothing else there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -f -a "add" -d 'Make a drive: of a mounted stick, or of a folder; or take back one that was forgotten or refused'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -f -a "away" -d 'Say that a drive is kept elsewhere; only you know'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -f -a "here" -d 'Say that a drive is not kept elsewhere any more; one that is plugged in says so itself'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -f -a "forget" -d 'Say that a drive is gone for good: its copies count for nothing any more, and it takes no mail'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -f -a "refuse" -d 'Say that a stick is not yours: it gets nothing any more, and its copies count for nothing'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -f -a "wipe" -d 'Delete all mail on a drive and write over what is free on it, before it leaves your hands'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and not __fish_seen_subcommand_from add away here forget refuse wipe release" -f -a "release" -d 'Finish with a drive, unmount it where that is allowed, and say that it may be pulled'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from add" -l next -d 'Let the next new stick in that comes within this time, as 10m; for accept = "known"' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from add" -l mailbox -d 'A mailbox, or NAME=DIR [default name: the folder\'s own]; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from add" -l drive -d 'A folder used as a drive, instead of any other; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from add" -l station -d 'The name under which the copies are kept on a drive [default: the host\'s name]' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from add" -l state -d 'Where the catalogue is kept' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from add" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from add" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from add" -l count-same-device -d 'Count copies on the mailbox\'s own card or disk too, though they are lost with it: for trying things out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from add" -l json -d 'One JSON object on standard output, and nothing else there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from add" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from add" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from add" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from away" -l mailbox -d 'A mailbox, or NAME=DIR [default name: the folder\'s own]; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from away" -l drive -d 'A folder used as a drive, instead of any other; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from away" -l station -d 'The name under which the copies are kept on a drive [default: the host\'s name]' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from away" -l state -d 'Where the catalogue is kept' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from away" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from away" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from away" -l count-same-device -d 'Count copies on the mailbox\'s own card or disk too, though they are lost with it: for trying things out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from away" -l json -d 'One JSON object on standard output, and nothing else there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from away" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from away" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from away" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from here" -l mailbox -d 'A mailbox, or NAME=DIR [default name: the folder\'s own]; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from here" -l drive -d 'A folder used as a drive, instead of any other; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from here" -l station -d 'The name under which the copies are kept on a drive [default: the host\'s name]' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from here" -l state -d 'Where the catalogue is kept' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from here" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from here" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from here" -l count-same-device -d 'Count copies on the mailbox\'s own card or disk too, though they are lost with it: for trying things out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from here" -l json -d 'One JSON object on standard output, and nothing else there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from here" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from here" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from here" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from forget" -l why -d 'Why it is gone' -r -f -a "lost\t'Nobody knows where it is, or nobody can get at it'
given-away\t'Somebody else has it now'
reformatted\t'What was on it was deleted'
broken\t'It does not work any more'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from forget" -l where -d 'Where it went, in your words, to be remembered' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from forget" -l mailbox -d 'A mailbox, or NAME=DIR [default name: the folder\'s own]; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from forget" -l drive -d 'A folder used as a drive, instead of any other; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from forget" -l station -d 'The name under which the copies are kept on a drive [default: the host\'s name]' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from forget" -l state -d 'Where the catalogue is kept' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from forget" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from forget" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from forget" -l count-same-device -d 'Count copies on the mailbox\'s own card or disk too, though they are lost with it: for trying things out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from forget" -l json -d 'One JSON object on standard output, and nothing else there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from forget" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from forget" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from forget" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from refuse" -l mailbox -d 'A mailbox, or NAME=DIR [default name: the folder\'s own]; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from refuse" -l drive -d 'A folder used as a drive, instead of any other; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from refuse" -l station -d 'The name under which the copies are kept on a drive [default: the host\'s name]' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from refuse" -l state -d 'Where the catalogue is kept' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from refuse" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from refuse" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from refuse" -l count-same-device -d 'Count copies on the mailbox\'s own card or disk too, though they are lost with it: for trying things out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from refuse" -l json -d 'One JSON object on standard output, and nothing else there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from refuse" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from refuse" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from refuse" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from wipe" -l confirm -d 'The drive\'s name once more, where nobody can be asked' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from wipe" -l mailbox -d 'A mailbox, or NAME=DIR [default name: the folder\'s own]; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from wipe" -l drive -d 'A folder used as a drive, instead of any other; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from wipe" -l station -d 'The name under which the copies are kept on a drive [default: the host\'s name]' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from wipe" -l state -d 'Where the catalogue is kept' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from wipe" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from wipe" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from wipe" -l lose-last-copies -d 'Wipe it even if it has the last copy of a message, or mail of another station'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from wipe" -l count-same-device -d 'Count copies on the mailbox\'s own card or disk too, though they are lost with it: for trying things out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from wipe" -l json -d 'One JSON object on standard output, and nothing else there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from wipe" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from wipe" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from wipe" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from release" -l mailbox -d 'A mailbox, or NAME=DIR [default name: the folder\'s own]; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from release" -l drive -d 'A folder used as a drive, instead of any other; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from release" -l station -d 'The name under which the copies are kept on a drive [default: the host\'s name]' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from release" -l state -d 'Where the catalogue is kept' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from release" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from release" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from release" -l count-same-device -d 'Count copies on the mailbox\'s own card or disk too, though they are lost with it: for trying things out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from release" -l json -d 'One JSON object on standard output, and nothing else there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from release" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from release" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand drives; and __fish_seen_subcommand_from release" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand config; and not __fish_seen_subcommand_from check" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand config; and not __fish_seen_subcommand_from check" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand config; and not __fish_seen_subcommand_from check" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand config; and not __fish_seen_subcommand_from check" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand config; and not __fish_seen_subcommand_from check" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand config; and not __fish_seen_subcommand_from check" -f -a "check" -d 'Check the config and print the values in force'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand config; and __fish_seen_subcommand_from check" -l mailbox -d 'A mailbox, or NAME=DIR [default name: the folder\'s own]; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand config; and __fish_seen_subcommand_from check" -l drive -d 'A folder used as a drive, instead of any other; may be repeated' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand config; and __fish_seen_subcommand_from check" -l station -d 'The name under which the copies are kept on a drive [default: the host\'s name]' -r
complete -c counterfoil -n "__fish_counterfoil_using_subcommand config; and __fish_seen_subcommand_from check" -l state -d 'Where the catalogue is kept' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand config; and __fish_seen_subcommand_from check" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand config; and __fish_seen_subcommand_from check" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand config; and __fish_seen_subcommand_from check" -l count-same-device -d 'Count copies on the mailbox\'s own card or disk too, though they are lost with it: for trying things out'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand config; and __fish_seen_subcommand_from check" -l json -d 'One JSON object on standard output, and nothing else there'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand config; and __fish_seen_subcommand_from check" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand config; and __fish_seen_subcommand_from check" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand config; and __fish_seen_subcommand_from check" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand demo" -s c -l config -d 'The config file [default: /etc/counterfoil/counterfoil.toml, else the user\'s]' -r -F
complete -c counterfoil -n "__fish_counterfoil_using_subcommand demo" -l color -d 'When to use colour' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c counterfoil -n "__fish_counterfoil_using_subcommand demo" -l keep -d 'Keep the folder and say where it is'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand demo" -s v -l verbose -d 'Say more; twice for everything'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand demo" -s q -l quiet -d 'Say only what went wrong'
complete -c counterfoil -n "__fish_counterfoil_using_subcommand demo" -s h -l help -d 'Print help (see more with \'--help\')'
