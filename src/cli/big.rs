//! Words in letters that are read from across the workshop.

/// Rows of a letter, five columns each.
fn rows(letter: char) -> [&'static str; 5] {
    match letter {
        'A' => [" ### ", "#   #", "#####", "#   #", "#   #"],
        'B' => ["#### ", "#   #", "#### ", "#   #", "#### "],
        'C' => [" ####", "#    ", "#    ", "#    ", " ####"],
        'D' => ["#### ", "#   #", "#   #", "#   #", "#### "],
        'E' => ["#####", "#    ", "###  ", "#    ", "#####"],
        'F' => ["#####", "#    ", "###  ", "#    ", "#    "],
        'H' => ["#   #", "#   #", "#####", "#   #", "#   #"],
        'I' => ["#####", "  #  ", "  #  ", "  #  ", "#####"],
        'K' => ["#   #", "#  # ", "###  ", "#  # ", "#   #"],
        'L' => ["#    ", "#    ", "#    ", "#    ", "#####"],
        'N' => ["#   #", "##  #", "# # #", "#  ##", "#   #"],
        'O' => [" ### ", "#   #", "#   #", "#   #", " ### "],
        'P' => ["#### ", "#   #", "#### ", "#    ", "#    "],
        'R' => ["#### ", "#   #", "#### ", "#  # ", "#   #"],
        'S' => [" ####", "#    ", " ### ", "    #", "#### "],
        'T' => ["#####", "  #  ", "  #  ", "  #  ", "  #  "],
        'U' => ["#   #", "#   #", "#   #", "#   #", " ### "],
        'V' => ["#   #", "#   #", "#   #", " # # ", "  #  "],
        _ => ["     "; 5],
    }
}

/// The word over five lines, seven columns a letter.
pub(crate) fn word(text: &str) -> String {
    let letters: Vec<[&str; 5]> = text.to_uppercase().chars().map(rows).collect();
    let line = |row: usize| {
        let parts: Vec<&str> = letters.iter().map(|letter| letter[row]).collect();
        parts.join("  ").replace('#', "█").trim_end().to_owned()
    };
    (0..5).map(line).collect::<Vec<_>>().join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_word_that_is_shown_has_its_letters() {
        for shown in ["fit", "restricted", "undecided", "scrap", "no verdict", "check clips", "stopped"] {
            for letter in shown.to_uppercase().chars().filter(|letter| *letter != ' ') {
                assert!(rows(letter).iter().any(|row| row.contains('#')), "{letter} of {shown}");
            }
        }
        insta::assert_snapshot!(word("fit"));
    }
}
