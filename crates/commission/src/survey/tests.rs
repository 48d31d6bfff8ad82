use hereabout_fixtures::Noise;

use super::*;
use crate::survey_kit::*;

#[test]
fn other_tags_are_told_and_left_out() {
    let site = site(8);
    let mut all = SurveySession::new(&site, None);
    let mut one = SurveySession::new(&site, Some(TagId(4)));
    for s in [&mut all, &mut one] {
        s.begin(spot(0, 60.0));
        for mut epoch in epochs([2.0, 2.0, 0.9], 0.0, 2.0, &mut Noise(3)) {
            s.take(&epoch);
            epoch.tag = TagId(4);
            s.take(&epoch);
        }
    }
    assert_eq!((all.tags(), all.counts()[0]), (&[TagId(0), TagId(4)][..], 40));
    assert_eq!((one.tags(), one.counts()[0]), (&[TagId(4)][..], 20));
    assert_eq!(all.extent(), Some((stamp(0.0), stamp(1.9))));
}

#[test]
fn what_finds_no_room_is_counted() {
    let site = site(8);
    let mut heard = SurveySession::with_room(&site, None, 20);
    heard.begin(spot(0, 5.0));
    epochs([2.0, 2.0, 0.9], 0.0, 5.0, &mut Noise(3)).iter().for_each(|e| heard.take(e));
    assert_eq!(heard.counts().iter().sum::<usize>(), 20);
    assert!(heard.left_out() > 300, "{}", heard.left_out());
}
