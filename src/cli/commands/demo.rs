//! `demo`: a visit on a practice line built on this machine.

use tokio_util::sync::CancellationToken;

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::flags::{AccessArg, DemoArgs};
use super::super::{meaning, output, progress};
use super::verify;
use crate::check::{Access, registry};
use crate::plan::Sizes;
use crate::plan::budget::{self, Bounds};
use crate::practice::{self, Concentrator, Fault, Handoff, LineConfig, Node, PracticeLine, Tv, acquire_rights};
use crate::record::Record;
use crate::unit::Position;
use crate::visit::{VisitOptions, preflight};

/// The laptop's port on the practice line.
const PORT: &str = "lan0";
/// Threads of the visit's runtime: checks wait more than they compute, and load streams have threads of their own.
const WORKERS: usize = 2;

/// Runs `demo`. Must be called before the process has a second thread: without root it enters a user namespace.
pub(in crate::cli) fn run(args: &DemoArgs) -> Result<Exit, Failure> {
    if args.list_faults {
        let sized = |fault: &Fault| if fault.extents().len() > 1 { "; or :clear, or :slight" } else { "" };
        let lines: Vec<String> = Fault::ALL.iter().map(|f| format!("{:<18} {}{}", f.name(), f.description(), sized(f))).collect();
        output::result(&lines.join("\n"))?;
        return Ok(Exit::Pass);
    }
    let faults = args.fault.iter().map(|text| Fault::read(text).map_err(Failure::usage)).collect::<Result<Vec<_>, _>>()?;
    // Some faults are of a service that not every tier is sold with.
    let tier = faults.iter().find_map(|(fault, _)| fault.tier());
    let profile = meaning::profile(tier.unwrap_or(&args.profile))?;
    let facts = args.line.as_deref().map(meaning::line_facts).transpose()?;
    let keep = meaning::keep(args.record.as_deref())?;
    let signer = meaning::signer();
    acquire_rights().map_err(Failure::could_not_run)?;

    let (down, up) = profile.sold_mbit();
    let mut config = LineConfig::sold_at_ip(down, up)
        .ok_or_else(|| Failure::usage(format_args!("the tier {} sells no rate that a line can be shaped to", profile.name)))?;
    config.seed = args.seed;
    if let Some(tv) = &profile.tv {
        config.tv = Tv { channels: tv.channels.clone(), version: tv.version, ..Tv::default() };
    }
    if let Some((fault, _)) = faults.iter().find(|(fault, _)| fault.is_of_tv() && profile.tv.is_none()) {
        return Err(Failure::usage(format_args!(
            "the fault {fault} is one of TV, and the tier {} has none: give a tier with channels, for instance --profile fibre-250-50-tv",
            profile.name
        )));
    }
    let handoff = match args.access {
        AccessArg::Ethernet => Handoff::Gateway,
        AccessArg::Pppoe => Handoff::Pppoe(Concentrator::Serving),
    };
    // Some faults are of another kind of handoff, and bring it along.
    let handoff = faults.iter().find_map(|(fault, _)| fault.handoff()).unwrap_or(handoff);
    config = config.handed_over(handoff, args.vlan.unwrap_or_default());
    let (access, position) = match handoff {
        Handoff::Gateway => (Access::Ethernet, Position::Gateway),
        // A session is opened in the gateway's place: at the terminal.
        Handoff::Pppoe(_) => (Access::Pppoe(practice::account()), Position::Ont),
    };
    for (fault, extent) in &faults {
        fault.apply_at(*extent, &mut config);
    }
    let vlan = config.vlan;
    let line = PracticeLine::build(config).map_err(Failure::could_not_run)?;
    let runtime = line.namespace(Node::Laptop).runtime(WORKERS).map_err(Failure::could_not_run)?;
    let far_end = Some(line.far_end_target());
    let (depth, asked) = (args.depth.into(), args.until_certain);
    let visit = move || -> Result<Record, Failure> {
        let interface = runtime.block_on(preflight::interface(Some(PORT))).map_err(Failure::could_not_run)?;
        let options = VisitOptions {
            interface,
            vlan,
            access: access.clone(),
            position,
            circuit: Some("EVB-000123".to_owned()),
            note: Some("practice line of Example Valley Broadband, an invented provider".to_owned()),
            profile: Some(profile),
            line: facts,
            depth,
            far_end,
            max_octets: None,
            streams: None,
            dscp: 0,
            sip_account: Some(practice::sip_account()),
            consent: Some("nobody's line: it exists on this machine only".to_owned()),
            keep,
            signer,
            capture: None,
            sizes: Sizes::NONE,
            continues: None,
        };
        let checks = registry(&access, depth, options.services());
        let specs: Vec<_> = checks.iter().map(|c| c.spec()).collect();
        let plan = budget::plan(
            &specs,
            &options.volume(),
            &Bounds {
                load_agreed: true,
                without: meaning::without_by_access(&access).into_iter().collect(),
                until_certain: meaning::until_certain(asked, options.profile.as_ref(), options.setting(), &checks),
                ..Bounds::default()
            },
        );
        Ok(runtime.block_on(verify::run(options, checks, plan, progress::listener(), CancellationToken::new())))
    };
    let record = line.namespace(Node::Laptop).run(visit)?;
    line.shutdown();
    verify::show(&record, args.json)?;
    Ok(Exit::from(record.verdict))
}
