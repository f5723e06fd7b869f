//! Salts that keepers dissolve, and one substance told by its ion or by its element.
//!
//! Atomic weights: IUPAC 2021, abridged (from memory; checked against a table of molar masses).
//! Solubilities: handbook values for 20 °C, from memory, turned into grams a litre of the saturated
//! solution; good to about 5 %, less when it is colder.

use std::fmt;
use std::str::FromStr;

/// Abridged standard atomic weights, in g/mol.
const WEIGHTS: [(&str, f64); 12] = [
    ("Na", 22.98976928),
    ("Mg", 24.305),
    ("Cl", 35.45),
    ("Ca", 40.078),
    ("Sr", 87.62),
    ("H", 1.008),
    ("C", 12.011),
    ("N", 14.007),
    ("O", 15.999),
    ("P", 30.973761998),
    ("S", 32.06),
    ("K", 39.0983),
];

/// Molar mass of a formula such as `CaCl2.2H2O` or `Ca(OH)2`, in g/mol; `None` if it is not one.
pub fn molar_mass(formula: &str) -> Option<f64> {
    formula.split(['.', '·']).map(part_mass).sum()
}

/// One part between the dots, with its leading count.
fn part_mass(part: &str) -> Option<f64> {
    let digits = part.chars().take_while(char::is_ascii_digit).count();
    let count: f64 = if digits == 0 { 1.0 } else { part[..digits].parse().ok()? };
    let (mass, rest) = group_mass(&part[digits..])?;
    (rest.is_empty() && mass > 0.0).then_some(count * mass)
}

/// Atoms and brackets up to a closing bracket or the end.
fn group_mass(mut text: &str) -> Option<(f64, &str)> {
    let mut total = 0.0;
    while !text.is_empty() && !text.starts_with(')') {
        let unit = if let Some(inner) = text.strip_prefix('(') {
            let (mass, rest) = group_mass(inner)?;
            text = rest.strip_prefix(')')?;
            mass
        } else {
            let (symbol, weight) = WEIGHTS.iter().find(|(symbol, _)| text.starts_with(symbol))?;
            text = &text[symbol.len()..];
            *weight
        };
        let digits = text.chars().take_while(char::is_ascii_digit).count();
        let count: f64 = if digits == 0 { 1.0 } else { text[..digits].parse().ok()? };
        text = &text[digits..];
        total += unit * count;
    }
    Some((total, text))
}

/// What a salt brings into the tank on purpose.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Supplies {
    /// Alkalinity, in equivalents.
    Alkalinity,
    /// Calcium.
    Calcium,
    /// Magnesium.
    Magnesium,
    /// Nitrate, as its ion.
    Nitrate,
    /// Phosphate, as its ion.
    Phosphate,
    /// Potassium.
    Potassium,
    /// Strontium.
    Strontium,
}

impl Supplies {
    /// The noun.
    pub fn noun(self) -> &'static str {
        match self {
            Self::Alkalinity => "alkalinity",
            Self::Calcium => "calcium",
            Self::Magnesium => "magnesium",
            Self::Nitrate => "nitrate",
            Self::Phosphate => "phosphate",
            Self::Potassium => "potassium",
            Self::Strontium => "strontium",
        }
    }

    /// What a tank takes in a day without harm [common practice]; in dKH or in mg/L.
    pub fn most_a_day(self) -> Option<f64> {
        match self {
            Self::Calcium => Some(20.0),
            Self::Magnesium => Some(30.0),
            Self::Nitrate => Some(2.0),
            Self::Phosphate => Some(0.05),
            Self::Potassium => Some(10.0),
            Self::Alkalinity | Self::Strontium => Some(1.0),
        }
    }
}

/// A salt that keepers weigh and dissolve.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Compound(&'static Row);

#[derive(Debug, PartialEq)]
struct Row {
    formula: &'static str,
    name: &'static str,
    also: &'static [&'static str],
    supplies: Supplies,
    /// Of alkalinity or of charge of the supplied ion, in one mole.
    equivalents: f64,
    /// The supplied ion or element, once in each mole.
    ion: &'static str,
    /// Grams of the compound as written in a litre of its saturated solution at 20 °C.
    soluble: f64,
}

impl Eq for Row {}

const fn row(
    formula: &'static str,
    name: &'static str,
    also: &'static [&'static str],
    supplies: Supplies,
    equivalents: f64,
    ion: &'static str,
    soluble: f64,
) -> Row {
    Row { formula, name, also, supplies, equivalents, ion, soluble }
}

static COMPOUNDS: [Row; 12] = [
    row("NaHCO3", "sodium bicarbonate", &["baking soda"], Supplies::Alkalinity, 1.0, "HCO3", 93.0),
    row("Na2CO3", "sodium carbonate", &["soda ash"], Supplies::Alkalinity, 2.0, "CO3", 210.0),
    row("CaCl2.2H2O", "calcium chloride dihydrate", &[], Supplies::Calcium, 2.0, "Ca", 808.0),
    row("CaCl2", "calcium chloride, anhydrous", &[], Supplies::Calcium, 2.0, "Ca", 610.0),
    row("Ca(OH)2", "calcium hydroxide", &["limewater powder"], Supplies::Calcium, 2.0, "Ca", 1.7),
    row("MgCl2.6H2O", "magnesium chloride hexahydrate", &[], Supplies::Magnesium, 2.0, "Mg", 1004.0),
    row("MgSO4.7H2O", "magnesium sulfate heptahydrate", &["epsom salt"], Supplies::Magnesium, 2.0, "Mg", 665.0),
    row("KNO3", "potassium nitrate", &[], Supplies::Nitrate, 1.0, "NO3", 279.0),
    row("NaNO3", "sodium nitrate", &[], Supplies::Nitrate, 1.0, "NO3", 644.0),
    row("KH2PO4", "potassium dihydrogen phosphate", &[], Supplies::Phosphate, 3.0, "PO4", 212.0),
    row("KCl", "potassium chloride", &[], Supplies::Potassium, 1.0, "K", 296.0),
    row("SrCl2.6H2O", "strontium chloride hexahydrate", &[], Supplies::Strontium, 2.0, "Sr", 809.0),
];

impl Compound {
    /// Sodium bicarbonate.
    pub const SODIUM_BICARBONATE: Self = Self(&COMPOUNDS[0]);
    /// Sodium carbonate.
    pub const SODIUM_CARBONATE: Self = Self(&COMPOUNDS[1]);
    /// Calcium chloride dihydrate.
    pub const CALCIUM_CHLORIDE_DIHYDRATE: Self = Self(&COMPOUNDS[2]);

    /// All that are known.
    pub fn all() -> impl Iterator<Item = Self> {
        COMPOUNDS.iter().map(Self)
    }

    /// Its formula.
    pub fn formula(self) -> &'static str {
        self.0.formula
    }

    /// Its name.
    pub fn name(self) -> &'static str {
        self.0.name
    }

    /// What it is dosed for.
    pub fn supplies(self) -> Supplies {
        self.0.supplies
    }

    /// Grams in a mole.
    pub fn molar_mass(self) -> f64 {
        molar_mass(self.0.formula).expect("the table has formulas")
    }

    /// Equivalents in a mole.
    pub fn equivalents(self) -> f64 {
        self.0.equivalents
    }

    /// Equivalents in a gram.
    pub fn equivalents_per_gram(self) -> f64 {
        self.0.equivalents / self.molar_mass()
    }

    /// Milligrams of the supplied ion or element in a gram of it.
    pub fn milligrams_of_ion_per_gram(self) -> f64 {
        molar_mass(self.0.ion).expect("the table has ions") / self.molar_mass() * 1000.0
    }

    /// Grams of it in a litre of its saturated solution at 20 °C, good to about 5 %.
    pub fn soluble_grams_per_litre(self) -> f64 {
        self.0.soluble
    }
}

impl fmt::Display for Compound {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ({})", self.0.formula, self.0.name)
    }
}

impl FromStr for Compound {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let plain = text.trim().replace('·', ".");
        Self::all()
            .find(|Self(row)| {
                row.formula == plain
                    || row.name.eq_ignore_ascii_case(&plain)
                    || row.also.iter().any(|also| also.eq_ignore_ascii_case(&plain))
            })
            .ok_or_else(|| {
                let known: Vec<_> = COMPOUNDS.iter().map(|row| format!("`{}`", row.formula)).collect();
                format!("`{}` is not a compound that is known here\n  write one of {}", text.trim(), known.join(", "))
            })
    }
}

/// A nutrient that tests tell by its ion or by its element.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Form {
    /// How it is written.
    pub spelling: &'static str,
    /// What it says.
    pub meaning: &'static str,
    /// The nutrient; forms of one nutrient convert into each other.
    pub nutrient: &'static str,
    formula: &'static str,
}

static FORMS: [Form; 9] = [
    Form { spelling: "NO3", meaning: "as the nitrate ion", nutrient: "nitrate", formula: "NO3" },
    Form { spelling: "NO3-N", meaning: "as the nitrogen in nitrate", nutrient: "nitrate", formula: "N" },
    Form { spelling: "NO2", meaning: "as the nitrite ion", nutrient: "nitrite", formula: "NO2" },
    Form { spelling: "NO2-N", meaning: "as the nitrogen in nitrite", nutrient: "nitrite", formula: "N" },
    Form { spelling: "PO4", meaning: "as the phosphate ion", nutrient: "phosphate", formula: "PO4" },
    Form { spelling: "PO4-P", meaning: "as the phosphorus in phosphate", nutrient: "phosphate", formula: "P" },
    Form { spelling: "NH4", meaning: "as the ammonium ion", nutrient: "ammonia", formula: "NH4" },
    Form { spelling: "NH3", meaning: "as ammonia", nutrient: "ammonia", formula: "NH3" },
    Form { spelling: "NH3-N", meaning: "as the nitrogen in ammonia", nutrient: "ammonia", formula: "N" },
];

impl Form {
    /// The form of a spelling.
    pub fn spelt(spelling: &str) -> Option<&'static Self> {
        FORMS.iter().find(|form| form.spelling == spelling)
    }

    /// All forms of a nutrient.
    pub fn of(nutrient: &str) -> impl Iterator<Item = &'static Self> {
        FORMS.iter().filter(move |form| form.nutrient == nutrient)
    }

    /// Grams in a mole of what the form counts.
    pub fn molar_mass(self) -> f64 {
        molar_mass(self.formula).expect("the table has formulas")
    }

    /// The same amount in another form of the nutrient, mg/L to mg/L.
    pub fn convert(self, milligrams: f64, to: Self) -> f64 {
        milligrams / self.molar_mass() * to.molar_mass()
    }
}

/// Milligrams of calcium used with one dKH of alkalinity where calcium carbonate forms: 7.147.
pub fn calcium_per_dkh() -> f64 {
    WEIGHTS[3].1 / 2.0 / 2.80385
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::testing::rows;

    #[test]
    fn the_table_of_molar_masses_is_met() {
        let mut seen = 0;
        for row in rows(include_str!("../../tests/data/molar_masses.csv")) {
            let found = molar_mass(row.text("formula")).unwrap_or_else(|| panic!("{}", row.text("formula")));
            let expected = row.number("M_IUPAC2021_abridged_g_mol");
            assert!((found - expected).abs() < 1e-6, "{}: {found}, not {expected}", row.text("formula"));
            seen += 1;
        }
        assert_eq!(seen, 25);
        for nonsense in ["", "Xx", "2", "Ca(OH", "CaCl2.", "H2O)"] {
            assert_eq!(molar_mass(nonsense), None, "{nonsense}");
        }
    }

    #[test]
    fn nutrients_convert_between_ion_and_element() {
        // checks.csv: NO3_per_NO3N 4.426644, PO4_per_PO4P 3.066136 by stoichiometry.
        let form = |spelling| *Form::spelt(spelling).unwrap();
        assert!((form("NO3-N").convert(1.0, form("NO3")) - 4.426644).abs() < 1e-5);
        assert!((form("PO4-P").convert(1.0, form("PO4")) - 3.066136).abs() < 1e-5);
    }

    #[test]
    fn calcium_goes_with_alkalinity_by_stoichiometry() {
        // checks.csv: mgCa_per_dKH 7.146959.
        assert!((calcium_per_dkh() - 7.146959).abs() < 1e-5);
    }

    #[test]
    fn compounds_are_found_by_formula_and_by_name() {
        assert_eq!("CaCl2·2H2O".parse(), Ok(Compound::CALCIUM_CHLORIDE_DIHYDRATE));
        assert_eq!("Baking soda".parse(), Ok(Compound::SODIUM_BICARBONATE));
        assert!("unobtainium".parse::<Compound>().unwrap_err().contains("`NaHCO3`"));
    }
}
