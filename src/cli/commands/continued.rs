//! `verify --continue`: goes on with a visit that left something to prove, and makes one record of both.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::Timestamp;

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::flags::{AccessArg, VerifyArgs, VisitArgs};
use super::super::{meaning, output};
use super::check_record;
use super::verify::{self, Only, Wish};
use crate::check::{Access, Asked, Check, on_request, registry};
use crate::continued::open::Ability;
use crate::continued::{self, Earlier, Wanted, fit};
use crate::judge::Judgement;
use crate::profile::{self, Profile};
use crate::proto::ppp::Login;
use crate::reading::names::check_of;
use crate::record::Record;
use crate::unit::digest::sha256_words;
use crate::unit::{AccessKind, Depth};
use crate::visit;
use crate::wire::vlan::TagStack;

/// Runs `verify --continue RECORD`.
pub(super) fn run(args: &VerifyArgs, path: &Path) -> Result<Exit, Failure> {
    let (document, record, finding) = check_record::look(path)?;
    let named = args.profile.as_deref().map(meaning::profile).transpose()?;
    let now = fit::Now {
        at: Timestamp::now(),
        circuit: args.visit.circuit.as_deref(),
        profile: named.as_ref(),
        position: args.visit.position.map(Into::into),
        vlan: args.visit.vlan.map(|vlan| vlan.to_string()),
        dscp: (args.visit.dscp != 0).then_some(args.visit.dscp),
    };
    fit::check(&record, &finding, &now).map_err(Failure::usage)?;
    other_file(path, args.visit.record.as_deref())?;
    let profile = tier(&record)?;
    if !fit::is_vouched_for(&finding) {
        output::note(&format!(
            "Nobody here vouches for the record that is gone on with: {}. The new one says so.",
            fit::words(&finding)
        ));
    }
    let earlier = Earlier { digest: sha256_words(&document), signature: fit::words(&finding), record };
    let record = &earlier.record;
    let visit_args = inherited(&args.visit, record)?;
    let judgements = record.judged(&profile);
    let confidence = earlier.next_confidence(profile.confidence());
    let wanted = wanted(record, &profile, &judgements, confidence);
    let types_in = visit_args.line.is_some() && wanted.asks_to_type_in(&judgements);
    if wanted.checks.is_empty() && !types_in {
        return nothing_to_do(record, &wanted, args.visit.json);
    }
    let text = crate::report::wanted_text(&wanted);
    if args.visit.plan {
        output::result(&text)?;
    } else {
        output::note(&text);
    }
    let wish = Wish {
        only: Some(Only { checks: wanted.checks, asked: Asked::default() }),
        continues: Some((Arc::new(earlier), wanted.sizes)),
        ..Wish::default()
    };
    let Some(whole) = verify::make(&visit_args, Some(profile), wish)? else { return Ok(Exit::Pass) };
    verify::show(&whole, args.visit.json)?;
    Ok(Exit::from(whole.verdict))
}

/// Says that no check would prove more, and shows the record as it is.
fn nothing_to_do(record: &Record, wanted: &Wanted, json: bool) -> Result<Exit, Failure> {
    let text = if wanted.open.is_empty() {
        format!("Nothing is left to prove: every limit is met or missed, and the verdict is {}.", record.verdict.word())
    } else {
        format!("No check proves more here; no visit was made.\n\n{}", crate::report::wanted_text(wanted))
    };
    output::note(&text);
    verify::show(record, json)?;
    Ok(Exit::from(record.verdict))
}

/// The earlier record's file is never written to.
fn other_file(earlier: &Path, new: Option<&Path>) -> Result<(), Failure> {
    let real = |path: &Path| path.canonicalize().unwrap_or_else(|_| PathBuf::from(path));
    match new {
        Some(new) if real(new) == real(earlier) => Err(Failure::usage(format_args!(
            "--record names the record that is gone on with, which stays as it is: name a new file for {}",
            new.display()
        ))),
        _ => Ok(()),
    }
}

/// The tier as the record has it.
fn tier(record: &Record) -> Result<Profile, Failure> {
    let Some(copy) = &record.profile else { return Err(Failure::usage("the record was held against no tier")) };
    let source = format!("tier {} in record {}", copy.name, record.id);
    let profile = profile::parse(&copy.text, &source).map_err(|error| {
        Failure::usage(format_args!("this version can't read the record's own copy of its tier, so make a new visit: {error}"))
    })?;
    if profile.digest != copy.digest {
        let what = "the record's copy of its tier does not have the digest that stands beside it: go on with the original";
        return Err(Failure::usage(what));
    }
    Ok(profile)
}

/// The flags of the visit, with what the record says where nothing was typed.
fn inherited(args: &VisitArgs, record: &Record) -> Result<VisitArgs, Failure> {
    let place = &record.place;
    let vlan = place.vlan.as_deref().map(str::parse::<TagStack>).transpose();
    let vlan = vlan.map_err(|error| Failure::usage(format_args!("the record names a VLAN that can't be: {error}")))?;
    Ok(VisitArgs {
        interface: args.interface.clone().or_else(|| Some(place.interface.clone())),
        access: match place.access {
            AccessKind::Ethernet => AccessArg::Ethernet,
            AccessKind::Pppoe => AccessArg::Pppoe,
        },
        vlan: args.vlan.or(vlan),
        depth: depth(record).into(),
        position: Some(place.position.into()),
        dscp: fit::dscp_of(record).unwrap_or(args.dscp),
        circuit: place.circuit.clone(),
        ..args.clone()
    })
}

fn depth(record: &Record) -> Depth {
    record.plan.as_ref().map(|plan| plan.depth).unwrap_or_default()
}

/// What is left to prove, with what this version's checks can do for it.
fn wanted(record: &Record, profile: &Profile, judgements: &[Judgement], confidence: f64) -> Wanted {
    let depth = depth(record);
    let access = match record.place.access {
        AccessKind::Ethernet => Access::Ethernet,
        // Nobody logs in yet.
        AccessKind::Pppoe => Access::Pppoe(Login::new("", "")),
    };
    let checks: Vec<Box<dyn Check>> =
        registry(&access, depth, visit::services(Some(profile))).into_iter().chain(on_request(Asked::default())).collect();
    let volume = visit::volume(Some(profile), depth);
    let ability = |reading: &str| {
        let check = checks.iter().find(|check| check.spec().name == check_of(reading))?;
        Some(Ability { usual: check.samples(reading, depth), most: check.most(&volume) })
    };
    continued::wanted(record, judgements, confidence, ability)
}
