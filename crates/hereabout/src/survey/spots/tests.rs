//! Tests of `spots`.

use super::*;

const FLAT: Dimension = Dimension::TwoD { tag_height_m: 0.9 };
const HEAD: &str = "name,from_s,to_s,x_m,y_m,z_m\n";

fn problems(text: &str, dimension: Dimension) -> Vec<(usize, usize, String)> {
    let found = Spots::parse(Path::new("s.csv"), text, dimension).unwrap_err();
    found.into_iter().map(|p| (p.line, p.column, p.what)).collect()
}

#[test]
fn rows_become_spots() {
    let text = format!("{HEAD}\"bed 3, north\",10,40.5,3.2,4.1,\n\nbench,50,80,7,8,1.25\n");
    let spots = Spots::parse(Path::new("s.csv"), &text, FLAT).unwrap().list();
    assert_eq!(spots.len(), 2);
    assert_eq!((spots[0].name.as_str(), spots[0].at_m), ("bed 3, north", [3.2, 4.1, 0.9]));
    assert_eq!(spots[0].to, Timestamp::from_micros(40_500_000));
    assert_eq!(spots[1].at_m, [7.0, 8.0, 1.25]);
    let short = "name,from_s,to_s,x_m,y_m\na,0,1,2,3\n";
    assert_eq!(Spots::parse(Path::new("s.csv"), short, FLAT).unwrap().list()[0].at_m, [2.0, 3.0, 0.9]);
}

#[test]
fn what_is_wrong_is_told_with_line_and_column() {
    let row = |r: &str| problems(&format!("{HEAD}{r}"), FLAT);
    for (text, line, column, words) in [
        ("", 1, 1, "empty"),
        ("name,from_s,to_s,x_m,y_m,z_m\n", 2, 1, "no spot"),
        ("name,from_s,until_s,x_m,y_m,z_m\n", 1, 13, "\"to_s\" belongs"),
        ("name,from_s,to_s,x_m\n", 1, 21, "\"y_m\" is missing"),
        ("name,from_s,to_s,x_m,y_m,z_m,tag\n", 1, 30, "too many"),
    ] {
        let found = problems(text, FLAT);
        assert_eq!((found[0].0, found[0].1), (line, column), "{found:?}");
        assert!(found[0].2.contains(words), "{found:?}");
    }
    for (text, line, column, words) in [
        ("a,0,ten,1,2,3\n", 2, 5, "to_s \"ten\" is not a time"),
        ("a,0,10,1,2,3\nb,20,30,1;5,2,3\n", 3, 9, "not a number of metres"),
        ("a,10,10,1,2,3\n", 2, 6, "not after from_s"),
        ("a,0,10,3200,41000,3\n", 2, 13, "farther than any site"),
        ("a,0,10,1,2,3,4\n", 2, 14, "one field too many"),
        ("a,0,10,1\n", 2, 9, "y_m"),
        ("a,0,10,1,2,3\nbb,9.5,20,1,2,3\n", 3, 4, "two places"),
    ] {
        let found = row(text);
        assert_eq!((found[0].0, found[0].1), (line, column), "{text}: {found:?}");
        assert!(found[0].2.contains(words), "{found:?}");
    }
    assert!(problems(&format!("{HEAD}a,0,10,1,2,\n"), Dimension::ThreeD)[0].2.contains("z_m"));
}

#[test]
fn every_problem_comes_at_once_and_spots_outside_are_named() {
    assert_eq!(problems(&format!("{HEAD}a,x,1,1,1,1\nb,0,x,1,1,1\n"), FLAT).len(), 2);
    let text = format!("{HEAD}a,0,10,1,2,3\nb,500,510,1,2,3\n");
    let spots = Spots::parse(Path::new("s.csv"), &text, FLAT).unwrap();
    let at = |s: i64| Timestamp::from_micros(s * 1_000_000);
    let told = spots.check_extent(Some((at(5), at(100)))).unwrap_err();
    assert_eq!(told.code, exit::DATA);
    assert!(told.message.starts_with("s.csv:3:1: b lies outside"), "{told}");
    assert!(!told.message.contains(": a "), "{told}");
    spots.check_extent(Some((at(0), at(505)))).unwrap();
}

#[test]
fn a_file_of_anything_is_refused_and_bounded() {
    let many: String = (0..500).map(|i| format!("a,{},{},1,2,3\n", 10 * i, 10 * i + 5)).collect();
    assert!(problems(&format!("{HEAD}{many}"), FLAT)[0].2.contains("more than 200"));
    assert!(!problems("\u{0}\u{1}\n,,,\n\"", FLAT).is_empty());
}
