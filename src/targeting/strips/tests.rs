use std::f64::consts::FRAC_PI_2;

use super::*;

const FT: f64 = 0.3048;

fn square(west: f64, south: f64, east: f64, north: f64) -> MultiPolygon<f64> {
    MultiPolygon::new(vec![geo::Rect::new((west, south), (east, north)).to_polygon()])
}

/// 800 m by 400 m with an eastern wet half, a slanted corner and a pond.
fn field() -> FieldGround {
    let corner = Polygon::new(vec![(800.0, 250.0), (800.0, 400.0), (600.0, 400.0), (800.0, 250.0)].into(), vec![]);
    let field = square(0.0, 0.0, 800.0, 400.0)
        .difference(&MultiPolygon::new(vec![corner]))
        .difference(&square(300.0, 180.0, 340.0, 200.0));
    FieldGround {
        field,
        soils: vec![(square(-50.0, -50.0, 380.0, 450.0), Some(0)), (square(380.0, -50.0, 850.0, 450.0), Some(1))],
    }
}

fn names() -> Vec<String> {
    ["dry", "wet"].map(str::to_owned).to_vec()
}

fn treatments() -> Vec<String> {
    ["check", "half", "full"].map(str::to_owned).to_vec()
}

fn planned(ground: &FieldGround, settings: &StripLayoutSettings, angle_rad: f64) -> Result<StripLayout, NoStrips> {
    lay_out(StripCase {
        ground,
        class_names: &names(),
        treatments: &treatments(),
        settings,
        header_m: 30.0 * FT,
        header_source: "set",
        courses: &[(Course::Along, angle_rad), (Course::Across, angle_rad + FRAC_PI_2)],
        north_rad: FRAC_PI_2,
        enough_m: 60.0,
        name: ("Farm", "Field"),
        season: 2025,
    })
}

#[test]
fn strips_lie_in_the_field_apart_from_each_other_and_as_wide_as_they_say() {
    let ground = field();
    let settings = StripLayoutSettings { blocks: 4, ..StripLayoutSettings::of_planter(40.0 * FT) };
    for angle in [0.0, 0.1] {
        let layout = planned(&ground, &settings, angle).unwrap();
        assert_eq!((layout.blocks(), layout.strips.len()), (4, 12));
        let inner = lanes::without_ends(&ground.field, &Frame::new(Coord { x: 0.0, y: 0.0 }, angle), layout.end_rows_m);
        for (at, strip) in layout.strips.iter().enumerate() {
            let planted = &strip.planted;
            assert!(planted.difference(&inner).unsigned_area() < 0.01, "inside, without the end rows");
            assert!(strip.harvest.difference(planted).unsigned_area() < 0.01);
            assert!((planted.unsigned_area() - 40.0 * FT * strip.length_m).abs() < 0.1);
            // harvest and guards share the strip as their widths do; a slanted end or a pond shifts little
            let share = strip.harvest.unsigned_area() / planted.unsigned_area();
            assert!((share - 35.0 / 40.0).abs() < 0.01, "{share}");
            for other in &layout.strips[at + 1..] {
                assert!(
                    planted.intersection(&other.planted).unsigned_area() < 0.01,
                    "{} {}",
                    strip.number,
                    other.number
                );
            }
        }
        for block in 1..=4 {
            let mut own: Vec<&str> = layout
                .strips
                .iter()
                .filter(|strip| strip.block == block)
                .map(|strip| strip.treatment.as_str())
                .collect();
            own.sort_unstable();
            assert_eq!(own, ["check", "full", "half"]);
        }
        assert!(layout.crossed_m.iter().flatten().all(|&length| length >= 60.0), "{:?}", layout.crossed_m);
        assert_eq!(planned(&ground, &settings, angle).unwrap(), layout, "the same each time");
    }
}

#[test]
fn strips_run_across_the_passes_only_where_these_leave_a_class_uncrossed() {
    // wet ground in the north: passes to the east would stand on one class each
    let layered = FieldGround {
        field: square(0.0, 0.0, 500.0, 500.0),
        soils: vec![(square(0.0, 0.0, 500.0, 250.0), Some(0)), (square(0.0, 250.0, 500.0, 500.0), Some(1))],
    };
    let settings = StripLayoutSettings { blocks: 4, ..StripLayoutSettings::of_planter(40.0 * FT) };
    let layout = planned(&layered, &settings, 0.0).unwrap();
    assert_eq!(layout.course, Course::Across);
    assert!(layout.bearing_deg.min(180.0 - layout.bearing_deg) < 1e-9);
    assert_eq!(layout.from_side, "east");
    let layout = planned(&layered, &settings, FRAC_PI_2).unwrap();
    assert_eq!(layout.course, Course::Along);
    // a wet class of less than a tenth of the field does not turn them
    let spot = FieldGround {
        soils: vec![(square(0.0, 0.0, 500.0, 460.0), Some(0)), (square(0.0, 460.0, 500.0, 500.0), Some(1))],
        ..layered
    };
    let layout = planned(&spot, &settings, 0.0).unwrap();
    assert_eq!((layout.course, layout.classes.as_slice(), layout.from_side), (Course::Along, &names()[..1], "south"));
    assert!((layout.bearing_deg - 90.0).abs() < 1e-9);
}

#[test]
fn what_has_no_room_is_reported_and_what_has_less_gets_fewer_blocks() {
    let narrow = |width: f64| FieldGround { field: square(0.0, 0.0, 800.0, width), soils: Vec::new() };
    let settings = StripLayoutSettings::of_planter(40.0 * FT);
    // outermost passes and blocks of three: 2 + 3 × 3 passes of 40 ft
    let layout = planned(&narrow(11.5 * 40.0 * FT), &settings, 0.0).unwrap();
    assert_eq!((layout.blocks(), layout.blocks_wanted), (3, 6));
    let expected =
        NoStrips::NoRoom { blocks: 3, strips: 3, planted_m: 40.0 * FT, least_m: 200.0, end_rows_m: 80.0 * FT };
    assert_eq!(planned(&narrow(10.5 * 40.0 * FT), &settings, 0.0), Err(expected));
}

/// The first pass runs along the first strip: 40 ft passes in a field from 0 to 120 m, one pass left out.
#[test]
fn the_first_pass_lies_where_the_first_strip_begins() {
    let ground = FieldGround { field: square(0.0, 0.0, 800.0, 11.5 * 40.0 * FT), soils: Vec::new() };
    let settings = StripLayoutSettings { end_rows_m: Some(25.0), ..StripLayoutSettings::of_planter(40.0 * FT) };
    let layout = planned(&ground, &settings, 0.0).unwrap();
    let [from, to] = layout.first_pass;
    assert!((from.x - 25.0).abs() < 1e-6 && (to.x - 775.0).abs() < 1e-6);
    assert!((from.y - 60.0 * FT).abs() < 1e-6 && (to.y - from.y).abs() < 1e-9);
}
