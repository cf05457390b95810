use super::*;

#[test]
fn a_change_of_path_is_told_with_its_time_and_its_hops() {
    let mut line = Line::of(6);
    for hop in [2, 3] {
        line.routers[hop - 1].replaced_at = Some(1500 * MS);
    }
    let (report, ..) = run(line, settings());
    let change = report.change.expect("two hops, twelve answers");
    assert!(change.after < 1500 * MS && change.before >= 1500 * MS, "{change:?}");
    let hops = |places: &[Place]| places.iter().map(|p| (p.hop, p.address)).collect::<Vec<_>>();
    assert_eq!(hops(&change.was), [(2, router_address(2)), (3, router_address(3))]);
    assert_eq!(hops(&change.is), [(2, [100, 64, 2, 2].into()), (3, [100, 64, 3, 2].into())]);
    let (report, ..) = run(Line::of(6), settings());
    assert_eq!(report.change, None);
}

/// A router that spreads packets by chance is not a path that changes; a claim of 1 % is exceeded by 12 of 400 with a chance
/// below 10^-3, by 17 with 10^-6.
#[test]
fn spreading_packet_by_packet_is_no_change_of_path() {
    let mut claimed = 0;
    for seed in 0..400_u64 {
        let mut line = Line::of(5);
        for hop in [2, 3] {
            line.routers[hop - 1].spread = Some(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) + u64::from(hop as u8));
        }
        claimed += u32::from(run(line, settings()).0.change.is_some());
    }
    assert!(claimed <= 17, "{claimed} of 400");
}

/// A first look, a pause of a minute, a second look.
fn twice(line: &mut Line) -> (PathMachine, Vec<PathProbe>) {
    let (start, settings) = (Instant::now(), settings());
    let mut machine = PathMachine::new(settings.clone(), start);
    let (_, ended) = drive(&mut machine, line, &settings, start, start);
    assert_eq!((machine.change(), machine.answers_again()), (None, 0));
    let later = ended + Duration::from_secs(60);
    machine.look_again(later);
    let (sent, _) = drive(&mut machine, line, &settings, start, later);
    (machine, sent)
}

#[test]
fn a_single_hop_that_changed_between_two_looks_is_told() {
    let mut line = Line::of(6);
    line.routers[1].replaced_at = Some(Duration::from_secs(30));
    // A hop that was silent is not asked again.
    line.routers[3].silent = true;
    let (machine, sent) = twice(&mut line);
    let change = machine.change().expect("three answers before and three after, of either kind");
    assert!(change.after < Duration::from_secs(30) && change.before >= Duration::from_secs(60), "{change:?}");
    assert_eq!((change.was.len(), change.was[0].hop, change.is[0].address), (1, 2, [100, 64, 2, 2].into()));
    assert!(sent.iter().all(|probe| probe.hop_limit != 4), "{sent:?}");
    assert_eq!((sent.len(), machine.answers_again()), (6 * 5, 6 * 5));
}

#[test]
fn the_same_path_twice_is_no_change_and_the_same_flows_look() {
    let mut line = Line::of(6);
    let (machine, sent) = twice(&mut line);
    assert_eq!(machine.change(), None);
    let kinds = KINDS.map(|kind| sent.iter().filter(|probe| probe.kind == kind).count());
    assert_eq!(kinds, [18, 18]);
}
