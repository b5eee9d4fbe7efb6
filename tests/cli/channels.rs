//! Files that lack a channel, or carry it wrongly: the answer stands, and what was done about it is said.

use std::fmt::Write;

use crate::archive::{Archive, HEADER, Row, csv, rows};

/// The response over the whole field, bu/ac.
fn response(archive: &Archive) -> f64 {
    archive.response("bad", "all")["response"].parse().unwrap()
}

fn response_of_sound_files() -> f64 {
    let archive = Archive::single();
    assert_eq!(archive.run().code, 0);
    response(&archive)
}

#[track_caller]
fn assert_near(found: f64, expected: f64, by: f64) {
    assert!((found - expected).abs() < by, "{found} instead of {expected}");
}

/// The rows with the header's state written by `state`.
fn with_header(rows: &[Row], state: impl Fn(usize) -> &'static str) -> String {
    let lines: Vec<String> = rows
        .iter()
        .enumerate()
        .map(|(at, row)| {
            let line = row.line();
            format!("{},{}", line.rsplit_once(',').unwrap().0, state(at))
        })
        .collect();
    format!("{HEADER}\n{}\n", lines.join("\n"))
}

#[test]
fn no_header_column_is_said() {
    let archive = Archive::single();
    archive.edit("fields/bad/field.toml", "header = \"down\"\n", "");
    archive.is_done_with_caution("header-missing");
    assert_near(response(&archive), response_of_sound_files(), 0.2);
}

#[test]
fn an_inverted_header_is_turned() {
    let archive = Archive::single();
    archive.write("fields/bad/harvest.csv", with_header(&rows(), |_| "0"));
    archive.is_done_with_caution("header-inverted");
    assert_near(response(&archive), response_of_sound_files(), 0.01);
}

#[test]
fn no_speed_is_derived_from_positions() {
    let archive = Archive::single();
    archive.edit("fields/bad/field.toml", "speed = { column = \"speed_m_s\", unit = \"m/s\" }\n", "");
    archive.is_done_with_caution("speed-derived");
    assert_near(response(&archive), response_of_sound_files(), 0.3);
    // how one record's speed differs from the next is not known, so the rule on it does not run
    assert_eq!(archive.removed("bad", "speed-change"), 0);
    assert!(archive.summary("bad")["rules_not_run"].get("speed-change").is_some());
}

#[test]
fn no_swath_is_an_error_that_says_what_to_write() {
    let archive = Archive::new();
    archive.edit("fields/bad/field.toml", "swath = \"9.144 m\"\n", "");
    archive.fails_with("swath");
}

#[test]
fn no_time_takes_the_order_of_rows_and_assumes_the_lag() {
    let archive = Archive::single();
    archive.edit("archive.toml", "lag = \"0 s\"\n", "");
    archive.edit("fields/bad/field.toml", "time = { column = \"utc_s\", format = \"epoch_s\" }\n", "");
    archive.is_done_with_caution("time-missing");
    assert!(archive.summary("bad")["cautions"].get("lag-assumed").is_some());
    assert_eq!(archive.summary("bad")["lag_s"]["A"]["source"], "assumed");
    assert_near(response(&archive), response_of_sound_files(), 0.3);
}

#[test]
fn no_moisture_means_market_moisture() {
    let archive = Archive::single();
    archive.edit("fields/bad/field.toml", "moisture = { column = \"moist\", unit = \"%\" }\n", "");
    archive.is_done_with_caution("moisture-assumed");
    // the grain was at 18 %: at 15.5 % it counts for more, by 84.5 / 82
    assert_near(response(&archive), response_of_sound_files() * 84.5 / 82.0, 0.05);
}

/// Each block is cut by a combine of its own, all at the same time; each clock by `off` hours wrong.
fn three_machines(off: [f64; 3]) -> Archive {
    let archive = Archive::single();
    archive.edit("fields/bad/field.toml", "machine = \"A\"\n", "");
    archive.edit("fields/bad/field.toml", "header = \"down\"\n", "header = \"down\"\nmachine = \"combine\"\n");
    let mut all = rows();
    let per_block = all.len() / 3;
    let mut text = format!("{HEADER},combine\n");
    for (at, row) in all.iter_mut().enumerate() {
        let machine = at / per_block;
        row.time += 3600.0 * off[machine] - 430.0 * 2.0 * 0.5 * machine as f64;
        writeln!(text, "{},{}", row.line(), ["A", "B", "C"][machine]).unwrap();
    }
    archive.write("fields/bad/harvest.csv", text);
    archive
}

#[test]
fn clocks_an_hour_apart_are_said_and_do_not_change_the_answer() {
    let right = three_machines([0.0; 3]);
    assert_eq!(right.run().code, 0);
    assert!(right.summary("bad")["cautions"].get("clocks-disagree").is_none());
    let wrong = three_machines([0.0, 1.0, 2.0]);
    wrong.is_done_with_caution("clocks-disagree");
    assert_near(response(&wrong), response(&right), 0.05);
}

#[test]
fn a_clock_set_back_is_moved_on() {
    let archive = Archive::single();
    let mut spoiled = rows();
    for row in &mut spoiled[450..] {
        row.time -= 3600.0;
    }
    archive.write("fields/bad/harvest.csv", csv(&spoiled));
    archive.is_done_with_caution("clock-set-back");
    assert_near(response(&archive), response_of_sound_files(), 1e-9);
}

#[test]
fn a_clock_of_whole_seconds_does_for_two_records_a_second() {
    let archive = Archive::single();
    archive.edit("archive.toml", "[model]", "speed_most = \"6 m/s\"\n[model]");
    let mut fast = rows();
    let start = fast[0].time;
    for row in &mut fast {
        row.time = start + ((row.time - start) / 2.0).floor();
        row.flow = format!("{}", 2.0 * row.flow.parse::<f64>().unwrap());
        row.speed = "4.0".to_owned();
    }
    archive.write("fields/bad/harvest.csv", csv(&fast));
    assert_eq!(archive.run().code, 0);
    assert!(archive.summary("bad")["points_kept"].as_u64().unwrap() > 1150);
    assert_near(response(&archive), response_of_sound_files(), 0.05);
}

#[test]
fn flow_of_an_empty_machine_is_taken_off() {
    let archive = Archive::single();
    let drift = 0.4;
    let mut all = rows();
    for row in &mut all {
        row.flow = format!("{}", row.flow.parse::<f64>().unwrap() + drift);
    }
    // a drive to the next field with the header raised
    let last = all.last().unwrap().clone();
    let cut = all.len();
    for second in 1..=150 {
        let mut row = last.clone();
        row.time += f64::from(second);
        row.lat += 2e-5 * f64::from(second);
        row.flow = format!("{drift}");
        all.push(row);
    }
    archive.write("fields/bad/harvest.csv", with_header(&all, |at| if at < cut { "1" } else { "0" }));
    archive.is_done_with_caution("zero-drift");
    assert_near(response(&archive), response_of_sound_files(), 0.05);
}

#[test]
fn strips_that_were_weighed_take_their_level_from_the_scale() {
    let archive = Archive::single();
    let plain = response_of_sound_files();
    archive.edit("fields/bad/field.toml", "[[harvest]]", "[tickets]\npath = \"tickets.csv\"\n[[harvest]]");
    // the monitor runs away: each pass reads 2 % more than the one before
    let mut all = rows();
    let per_strip = all.len() / 6;
    let mut weights = [0.0; 6];
    for (at, row) in all.iter_mut().enumerate() {
        let flow: f64 = row.flow.parse().unwrap();
        weights[at / per_strip] += flow;
        row.flow = format!("{}", flow * (1.0 + 0.02 * (at / per_strip) as f64));
    }
    archive.write("fields/bad/harvest.csv", csv(&all));
    let mut tickets = String::from("load,machine,from,to,net_weight,moisture,strip\n");
    for (strip, weight) in weights.iter().enumerate() {
        writeln!(tickets, "{strip},A,,,{weight:.2} kg,18.0 %,s{strip}").unwrap();
    }
    archive.write("fields/bad/tickets.csv", &tickets);
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_near(response(&archive), plain, 0.1);
    assert_near(archive.summary("bad")["limits"]["strips weighed by the scale"].as_f64().unwrap(), 6.0, 1e-9);

    // a strip that no harvest met is said
    tickets.push_str("9,A,,,1000 kg,18.0 %,s9\n");
    archive.write("fields/bad/tickets.csv", &tickets);
    archive.is_done_with_caution("tickets-disagree");
}

/// A monitor that logs when it likes, without a column for the seconds of a record: each stands for the time since the one before.
#[test]
fn uneven_steps_without_an_interval_column_give_the_same_yields() {
    let archive = Archive::single();
    let mut kept = Vec::new();
    let mut next = 0;
    for (at, row) in rows().into_iter().enumerate() {
        // steps of 1 to 4 s, and the first of each pass
        if at == next || at % 200 == 0 {
            next = at + [1, 3, 2, 4, 1, 2][kept.len() % 6];
            kept.push(row);
        }
    }
    archive.write("fields/bad/harvest.csv", csv(&kept));
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_near(response(&archive), response_of_sound_files(), 0.5);
    let yields = archive.yields("bad");
    let usual = 10_000.0;
    let off = yields.iter().filter(|value| (*value / usual - 1.0).abs() > 0.25).count();
    assert!(yields.len() > 350 && off == 0, "{off} of {}", yields.len());
}

/// Whole seconds of a log that is written now and then a little early or late: `share` of the stamps carry two records.
fn rounded(share: f64) -> String {
    let mut all = rows();
    for (at, row) in all.iter_mut().enumerate() {
        // each shift to the second before or after makes a stamp of two records
        let shifted = crate::archive::noise(5_000 + at);
        row.time += if shifted.abs() < 1.0 - share { 0.0 } else { shifted.signum() };
    }
    let shared = all.windows(2).filter(|pair| pair[0].time.to_bits() == pair[1].time.to_bits()).count();
    assert!((shared as f64 / all.len() as f64 - share).abs() < 0.03, "{shared} of {} for {share}", all.len());
    let lines: Vec<String> = all.iter().map(|row| format!("{},2.0,1.0", row.line())).collect();
    format!("{HEADER},way_m,step_s\n{}\n", lines.join("\n"))
}

/// Two records under one whole second: what was recorded of distance and interval is used, and the answer stands.
#[test]
fn repeated_stamps_do_not_move_the_answer() {
    let run = |share: f64| {
        let archive = Archive::single();
        archive.edit(
            "fields/bad/field.toml",
            "header = \"down\"\n",
            "header = \"down\"\ndistance = { column = \"way_m\", unit = \"m\" }\ninterval = { column = \"step_s\", unit = \"s\" }\n",
        );
        archive.write("fields/bad/harvest.csv", rounded(share));
        let said = archive.run();
        assert_eq!(said.code, 0, "{}", said.stderr);
        let summary = archive.summary("bad");
        let kept = summary["points_kept"].as_f64().unwrap() / summary["points_read"].as_f64().unwrap();
        assert!(kept > 0.90, "{kept} of the records kept with {share} of the stamps shared");
        let whole = archive.response("bad", "all");
        (whole["response"].parse::<f64>().unwrap(), whole["std_error"].parse::<f64>().unwrap())
    };
    let (sound, std_error) = run(0.0);
    for share in [0.06, 0.17] {
        assert_near(run(share).0, sound, 0.1 * std_error);
    }
}

/// Rows that repeat others change nothing: not the lag, not the trims, not the limits.
#[test]
fn a_file_appended_to_itself_gives_the_same_bytes() {
    let archive = Archive::single();
    archive.edit("archive.toml", "lag = \"0 s\"\npass_entry = \"0 s\"\npass_exit = \"0 s\"\n", "");
    let text = csv(&rows());
    archive.write("fields/bad/harvest.csv", &text);
    assert_eq!(archive.run().code, 0);
    let tables = |archive: &Archive| {
        ["response.csv", "sensitivity.csv", "segments.parquet", "yield.tif"]
            .map(|file| std::fs::read(archive.result("bad", file)).unwrap())
    };
    let (before, summary) = (tables(&archive), archive.summary("bad"));
    let rows = summary["points_read"].as_u64().unwrap();
    archive.write("fields/bad/harvest.csv", format!("{text}{}", text.split_once('\n').unwrap().1));
    assert_eq!(archive.run().code, 0);
    assert!(tables(&archive) == before);
    let doubled = archive.summary("bad");
    assert_eq!(doubled["points_read"].as_u64().unwrap(), 2 * rows);
    assert_eq!(archive.removed("bad", "duplicate") as u64, rows);
    for key in ["points_kept", "lag_s", "pass_entry_s", "pass_exit_s", "limits", "variance", "mean_yield_kg_ha"] {
        assert_eq!(doubled[key], summary[key], "{key}");
    }
}
