//! What the flags mean: from what was typed to options that can't be wrong. Errors say what to type instead.

use std::path::Path;

use super::failure::Failure;
use super::flags::{AccessArg, VisitArgs, VlanList};
use super::login;
use super::output;
use crate::check::{Access, Check};
use crate::farend::invitation;
use crate::judge;
use crate::line::{self, Interview, LineFacts};
use crate::plan::Sizes;
use crate::profile::{self, Profile, Setting};
use crate::record::sign::{Signer, keys};
use crate::record::store;
use crate::visit::{Keep, VisitOptions, preflight};
use crate::wire::vlan::{NoTagStack, TagStack};

/// Octets from text: a number with an optional decimal suffix k, M, G.
pub(super) fn octets(text: &str) -> Result<u64, String> {
    let (number, factor) = match text.char_indices().last() {
        Some((at, 'k' | 'K')) => (&text[..at], 1e3),
        Some((at, 'M')) => (&text[..at], 1e6),
        Some((at, 'G')) => (&text[..at], 1e9),
        _ => (text, 1.0),
    };
    match number.parse::<f64>() {
        Ok(value) if value.is_finite() && value > 0.0 && value * factor < 1e15 => Ok((value * factor) as u64),
        _ => Err("write a positive number with k, M or G behind it, for instance 500M".to_owned()),
    }
}

/// VLANs that a list may name: enough for every number of a provider's usual block, and still some seconds.
const MOST_VLANS: usize = 200;

/// A reflector: an address, with or without a port; IPv6 with a port stands in brackets.
pub(super) fn reflector(text: &str) -> Result<std::net::SocketAddr, String> {
    let bare = text.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')).unwrap_or(text);
    let address = bare.parse().map(|address: std::net::IpAddr| (address, crate::wire::stamp::PORT).into());
    address.or_else(|_| text.parse()).map_err(|_| {
        "write an address, with a port or without: 192.0.2.1, 192.0.2.1:8620, 2001:db8::1, [2001:db8::1]:8620".to_owned()
    })
}

/// Where `check vlan` looks: numbers, ranges and pairs with commas between; 0 is frames without a tag.
pub(super) fn vlans(text: &str) -> Result<VlanList, String> {
    let mut stacks = Vec::new();
    for part in text.split(',').map(str::trim) {
        if part == "0" {
            stacks.push(TagStack::NONE);
        } else if let Some((first, last)) = part.split_once('-') {
            let end = |text: &str| text.trim().parse::<TagStack>().map(|stack| stack.numbers()).map_err(|e| e.to_string());
            let ((first, 0), (last, 0)) = (end(first)?, end(last)?) else {
                return Err(format!("`{part}` is no range: write single VLANs on both sides, for instance 1-20"));
            };
            if first > last {
                return Err(format!("`{part}` runs backwards"));
            }
            stacks.extend((first..=last).take(MOST_VLANS + 1).map(TagStack::single));
        } else {
            stacks.push(part.parse().map_err(|error: NoTagStack| error.to_string())?);
        }
        if stacks.len() > MOST_VLANS {
            return Err(format!("that are more than {MOST_VLANS} VLANs: look in parts"));
        }
    }
    Ok(VlanList(stacks))
}

/// A tier by its name or file.
pub(super) fn profile(tier: &str) -> Result<Profile, Failure> {
    profile::load(tier).map_err(Failure::usage)
}

/// The options of a visit; looks at the interface, the rights and the far end's file, sends nothing.
pub(super) async fn visit_options(args: &VisitArgs, profile: Option<Profile>) -> Result<VisitOptions, Failure> {
    let far_end = args.far_end.as_deref().map(invitation::read).transpose().map_err(Failure::usage)?;
    let line = args.line.as_deref().map(line_facts).transpose()?;
    let interface = preflight::interface(args.interface.as_deref()).await.map_err(Failure::could_not_run)?;
    preflight::rights().map_err(Failure::could_not_run)?;
    let access = match args.access {
        AccessArg::Ethernet => Access::Ethernet,
        AccessArg::Pppoe => Access::Pppoe(login::read(args.login.as_deref())?),
    };
    let sip_account =
        login::sip(args.sip_login.as_deref(), profile.as_ref().and_then(|profile| profile.sip.as_ref()), args.plan)?;
    Ok(VisitOptions {
        interface,
        vlan: args.vlan.unwrap_or_default().with_priority(args.vlan_priority),
        access,
        position: args.position(),
        circuit: args.circuit.clone(),
        note: args.note.clone(),
        profile,
        line,
        depth: args.depth.into(),
        far_end,
        max_octets: args.max_data,
        streams: args.streams,
        dscp: args.dscp,
        consent: None,
        sip_account,
        keep: keep(args.record.as_deref())?,
        signer: signer(),
        capture: args.capture.clone(),
        sizes: Sizes::NONE,
        continues: None,
    })
}

/// What somebody typed in about the line: in a file, or asked for at the terminal.
pub(super) fn line_facts(word: &str) -> Result<LineFacts, Failure> {
    if word != "ask" {
        return line::load(Path::new(word)).map_err(Failure::usage);
    }
    if !output::can_ask() {
        return Err(Failure::usage("--line ask: nobody can be asked, since this is no terminal; give a file instead"));
    }
    output::note("What the modem's or terminal's page shows; an empty answer says that it does not show it.");
    let mut interview = Interview::default();
    while let Some(question) = interview.question() {
        let Some(answer) = output::ask_words(question) else {
            return Err(Failure::usage("--line ask: the answers ended before the questions"));
        };
        if let Err(what) = interview.answer(&answer) {
            output::note(&format!("  {what}"));
        }
    }
    interview.facts().map_err(Failure::usage)
}

/// Checks that can't run as asked, with the reason.
pub(super) fn without(options: &VisitOptions) -> Vec<(&'static str, String)> {
    let far_end = options.far_end.is_none().then(|| ("farend", "no far end was given (--far-end FILE)".to_owned()));
    far_end.into_iter().chain(without_by_access(&options.access)).collect()
}

/// Checks that make no sense with this kind of access.
pub(super) fn without_by_access(access: &Access) -> Option<(&'static str, String)> {
    matches!(access, Access::Pppoe(_)).then(|| ("dhcp4", "the address comes with the PPPoE session".to_owned()))
}

/// Checks that end once what rests on their figures is certain: where the flag or the tier asks for it, those that can and that limits are set on.
pub(super) fn until_certain(
    asked: bool,
    profile: Option<&Profile>,
    setting: Setting,
    checks: &[Box<dyn Check>],
) -> Vec<&'static str> {
    let Some(profile) = profile.filter(|profile| asked || profile.effort.until_certain) else { return Vec::new() };
    let able = checks.iter().filter(|check| check.may_settle()).map(|check| check.spec().name);
    able.filter(|name| judge::settling(profile, setting, None, name).is_some()).collect()
}

/// Where a record goes: as typed, else this user's records directory. Tried before anything is sent, so that no visit is
/// made in vain.
pub(super) fn keep(typed: Option<&Path>) -> Result<Keep, Failure> {
    let keep = match typed {
        Some(path) => store::try_file(path).map(|()| Keep::File(path.to_owned())),
        None => store::default_directory().and_then(|directory| store::try_directory(&directory).map(|()| Keep::In(directory))),
    };
    keep.map_err(Failure::could_not_run)
}

/// Who signs records: this user's key, made at first use. A visit is made without one too, and its record says why.
pub(super) fn signer() -> Signer {
    let own = keys::directory().and_then(|directory| keys::own(&directory, secret));
    own.unwrap_or_else(|error| {
        output::note(&format!("The record will bear no signature: {error}"));
        Signer::Unable(error.to_string())
    })
}

/// A new secret, from the system's source of chance.
pub(super) fn secret() -> std::io::Result<[u8; 32]> {
    use ring::rand::{SecureRandom as _, SystemRandom};
    let mut octets = [0; 32];
    SystemRandom::new().fill(&mut octets).map_err(|_| std::io::Error::other("the system gives no random octets"))?;
    Ok(octets)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_of_vlans_is_read_and_nonsense_says_what_to_write() {
        let stacks = |text| vlans(text).map(|list| list.0);
        let single = TagStack::single;
        assert_eq!(stacks("0, 7,34-36"), Ok(vec![TagStack::NONE, single(7), single(34), single(35), single(36)]));
        assert_eq!(stacks("100.35"), Ok(vec![TagStack::double(100, 35)]));
        for wrong in ["", "7,", "5-3", "1-4094", "1.2-3", "x", "4095", "-"] {
            assert!(stacks(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn octets_are_decimal_and_nonsense_says_what_to_write() {
        assert_eq!(octets("500M"), Ok(500_000_000));
        assert_eq!(octets("1.5G"), Ok(1_500_000_000));
        assert_eq!(octets("42"), Ok(42));
        for wrong in ["", "M", "-1", "0", "nan", "1T", "1e300", "2é"] {
            assert!(octets(wrong).is_err(), "{wrong}");
        }
    }
}
