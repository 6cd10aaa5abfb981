//! The program.

mod fitting;

fn main() {
    let path = std::path::PathBuf::from(std::env::args().nth(1).unwrap_or_default());
    match fitting::Fitting::read(&path) {
        Ok(f) => println!("{f:#?}"),
        Err(fitting::FittingError::Problems(p)) => println!("{p}\n{}", p.picture(false)),
        Err(e) => println!("{e}"),
    }
}
