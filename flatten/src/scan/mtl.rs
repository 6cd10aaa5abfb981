//! MTL material files, as far as colour goes: name, plain colour, picture.

use super::paint::byte;

/// One material.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Material {
    /// The rest of its `newmtl` line, so that names with spaces work.
    pub(super) name: String,
    /// Diffuse colour.
    pub(super) colour: Option<[u8; 3]>,
    /// Picture file named by `map_Kd`.
    pub(super) picture: Option<String>,
}

/// Most materials kept from one file.
const MAX_MATERIALS: usize = 10_000;

/// Reads what is understood and passes over the rest; there is nothing in an MTL file that a scan
/// must be refused for.
pub(super) fn read(bytes: &[u8]) -> Vec<Material> {
    let text = String::from_utf8_lossy(bytes);
    let mut materials: Vec<Material> = Vec::new();
    for line in text.lines() {
        let line = line.trim();
        let (key, rest) = line
            .split_once(char::is_whitespace)
            .map_or((line, ""), |(key, rest)| (key, rest.trim()));
        if key.eq_ignore_ascii_case("newmtl") {
            if materials.len() >= MAX_MATERIALS {
                break;
            }
            materials.push(Material {
                name: rest.to_string(),
                ..Material::default()
            });
            continue;
        }
        let Some(material) = materials.last_mut() else {
            continue;
        };
        if key.eq_ignore_ascii_case("map_kd") {
            material.picture = file_name(rest);
        } else if key.eq_ignore_ascii_case("kd") {
            let values: Vec<f64> = rest
                .split_whitespace()
                .map_while(|word| word.parse().ok())
                .collect();
            if let [r, g, b] = values[..] {
                material.colour = Some([byte(r), byte(g), byte(b)]);
            }
        }
    }
    materials
}

/// The file name after the options of a map line; it may hold spaces.
fn file_name(rest: &str) -> Option<String> {
    let mut rest = rest.trim();
    while let Some(option) = rest.strip_prefix('-') {
        let (option, after) = option.split_once(char::is_whitespace)?;
        let values = match option {
            "o" | "s" | "t" => 3,
            "mm" => 2,
            _ => 1,
        };
        rest = after.trim_start();
        for taken in 0..values {
            let (word, after) = rest.split_once(char::is_whitespace)?;
            // -o, -s and -t take one to three numbers.
            if taken > 0 && word.parse::<f64>().is_err() {
                break;
            }
            rest = after.trim_start();
        }
    }
    (!rest.is_empty()).then(|| rest.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_pictures_may_hold_spaces_and_options_are_passed_over() {
        let text = b"# c\r\nnewmtl my skin\r\nKd 1 0.5 0\r\nmap_Kd -o 0.1 0 -clamp on my head.png\r\nnewmtl b\nmap_Kd -s 1 1 1 -bm 2 x.jpg\nKd what\n";
        let materials = read(text);
        assert_eq!(materials[0].name, "my skin");
        assert_eq!(materials[0].colour, Some([255, 128, 0]));
        assert_eq!(materials[0].picture.as_deref(), Some("my head.png"));
        assert_eq!(materials[1].picture.as_deref(), Some("x.jpg"));
        assert_eq!(materials[1].colour, None);
    }
}
