//! Where a small change could be made: an operator, a result, an arm, a bound.

use std::fs;
use std::ops::Range;
use std::path::{Path, PathBuf};

use proc_macro2::Span;
use syn::spanned::Spanned;
use syn::visit::{self, Visit};
use syn::{
    Arm, BinOp, Block, Expr, ExprBinary, ExprMatch, ExprMethodCall, ExprUnary, Pat, ReturnType, Signature, Type, UnOp,
};

/// One file of the crate, as it was.
pub struct Source {
    pub path: PathBuf,
    pub text: String,
}

/// How a mutant is written into its file.
#[derive(Clone, Debug)]
pub enum Change {
    /// The expression at the range is this one instead.
    Instead(String),
    /// The function whose body begins at the start of the range returns this at once.
    Return(String),
    /// The arm is never taken: the range is its guard, or the empty end of its pattern where it has none.
    NoArm { guarded: bool },
}

#[derive(Clone, Debug)]
pub struct Mutant {
    pub id: usize,
    /// Index into the sources.
    pub file: usize,
    pub line: usize,
    pub range: Range<usize>,
    pub change: Change,
    /// For people: what stood there and what stands there now.
    pub what: String,
}

/// The files of the named parts (a file or a folder, from the crate's), without tests.
pub fn sources(folder: &Path, parts: &[String]) -> Result<Vec<Source>, String> {
    let mut paths = Vec::new();
    for part in parts {
        gather(&folder.join(part), &mut paths).map_err(|error| format!("{part}: {error}"))?;
    }
    paths.sort();
    paths.dedup();
    let read = |path: PathBuf| {
        let text = fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()))?;
        Ok(Source { path, text })
    };
    paths.into_iter().map(read).collect()
}

fn gather(path: &Path, into: &mut Vec<PathBuf>) -> std::io::Result<()> {
    let name = path.file_stem().unwrap_or_default();
    if name == "tests" || name == "test" {
        return Ok(());
    }
    if path.is_dir() {
        for entry in fs::read_dir(path)? {
            gather(&entry?.path(), into)?;
        }
    } else if path.extension().is_some_and(|extension| extension == "rs") {
        into.push(path.to_owned());
    }
    Ok(())
}

/// All mutants of the files, numbered from 0.
pub fn mutants(sources: &[Source]) -> Vec<Mutant> {
    let mut found = Vec::new();
    for (file, source) in sources.iter().enumerate() {
        let parsed = syn::parse_file(&source.text).unwrap_or_else(|error| panic!("{}: {error}", source.path.display()));
        let mut finder = Finder { text: &source.text, file, found: &mut found };
        finder.visit_file(&parsed);
    }
    found
}

struct Finder<'a> {
    text: &'a str,
    file: usize,
    found: &'a mut Vec<Mutant>,
}

impl Finder<'_> {
    fn add(&mut self, at: Span, range: Range<usize>, change: Change, what: String) {
        let id = self.found.len();
        self.found.push(Mutant { id, file: self.file, line: at.start().line, range, change, what });
    }

    fn source(&self, span: Span) -> &str {
        &self.text[span.byte_range()]
    }

    /// The whole expression with one token of it written otherwise.
    fn swap(&mut self, whole: Span, token: Span, by: &str) {
        let (range, at) = (whole.byte_range(), token.byte_range());
        let instead = format!("{}{by}{}", &self.text[range.start..at.start], &self.text[at.end..range.end]);
        let what = format!("{} -> {}", self.source(token), if by.is_empty() { "nothing" } else { by });
        self.add(token, range, Change::Instead(instead), what);
    }

    /// Whether a function's inside may be changed; if so, what it returns is changed here.
    fn enters(&mut self, attributes: &[syn::Attribute], signature: &Signature, block: &Block) -> bool {
        let enters = signature.constness.is_none() && !is_test(attributes);
        if enters {
            self.body(signature, block);
        }
        enters
    }

    fn body(&mut self, signature: &Signature, block: &Block) {
        let open = block.brace_token.span.open();
        let results: &[&str] = match &signature.output {
            ReturnType::Default => &[""],
            ReturnType::Type(_, kind) => match first_word(kind).as_str() {
                "bool" => &["true", "false"],
                "Option" => &["None"],
                "Vec" => &["vec![]"],
                "f64" => &["0.0", "1.0"],
                "i64" | "u64" | "u32" | "usize" | "i32" => &["0", "1"],
                _ => &[],
            },
        };
        for result in results {
            // A body that is that already is no mutant.
            let inside = self.text[block.span().byte_range()].trim_matches(['{', '}', ' ', '\n']).to_owned();
            if inside != *result {
                let place = open.byte_range().end;
                let what =
                    format!("{}() returns {}", signature.ident, if result.is_empty() { "at once" } else { result });
                self.add(signature.ident.span(), place..place, Change::Return((*result).to_owned()), what);
            }
        }
    }
}

fn first_word(kind: &Type) -> String {
    match kind {
        Type::Path(path) => path.path.segments.last().map(|last| last.ident.to_string()).unwrap_or_default(),
        _ => String::new(),
    }
}

fn is_test(attributes: &[syn::Attribute]) -> bool {
    attributes.iter().any(|attribute| match &attribute.meta {
        syn::Meta::List(list) => list.path.is_ident("cfg") && list.tokens.to_string().contains("test"),
        other => other.path().is_ident("test"),
    })
}

fn holds_let(expression: &Expr) -> bool {
    match expression {
        Expr::Let(_) => true,
        Expr::Binary(binary) => holds_let(&binary.left) || holds_let(&binary.right),
        _ => false,
    }
}

impl<'ast> Visit<'ast> for Finder<'_> {
    fn visit_item_const(&mut self, _: &'ast syn::ItemConst) {}
    fn visit_item_static(&mut self, _: &'ast syn::ItemStatic) {}
    fn visit_impl_item_const(&mut self, _: &'ast syn::ImplItemConst) {}
    fn visit_attribute(&mut self, _: &'ast syn::Attribute) {}
    fn visit_type(&mut self, _: &'ast Type) {}

    fn visit_pat(&mut self, item: &'ast Pat) {
        // Of a pattern only what stands after its `if` is an expression.
        if let Pat::Guard(guarded) = item {
            self.visit_expr(&guarded.guard);
        }
    }

    fn visit_item_mod(&mut self, item: &'ast syn::ItemMod) {
        if !is_test(&item.attrs) {
            visit::visit_item_mod(self, item);
        }
    }

    fn visit_item_fn(&mut self, item: &'ast syn::ItemFn) {
        if self.enters(&item.attrs, &item.sig, &item.block) {
            visit::visit_item_fn(self, item);
        }
    }

    fn visit_item_impl(&mut self, item: &'ast syn::ItemImpl) {
        if !is_test(&item.attrs) {
            visit::visit_item_impl(self, item);
        }
    }

    fn visit_impl_item_fn(&mut self, item: &'ast syn::ImplItemFn) {
        if self.enters(&item.attrs, &item.sig, &item.block) {
            visit::visit_impl_item_fn(self, item);
        }
    }

    fn visit_expr_binary(&mut self, item: &'ast ExprBinary) {
        let others: &[&str] = match item.op {
            BinOp::Eq(_) => &["!="],
            BinOp::Ne(_) => &["=="],
            BinOp::Lt(_) => &["<=", ">="],
            BinOp::Le(_) => &["<", ">"],
            BinOp::Gt(_) => &[">=", "<="],
            BinOp::Ge(_) => &[">", "<"],
            BinOp::And(_) => &["||"],
            BinOp::Or(_) => &["&&"],
            BinOp::Add(_) => &["-"],
            BinOp::Sub(_) => &["+"],
            BinOp::Mul(_) => &["/"],
            BinOp::Div(_) => &["*"],
            BinOp::AddAssign(_) => &["-="],
            BinOp::SubAssign(_) => &["+="],
            BinOp::BitOrAssign(_) => &["&="],
            _ => &[],
        };
        if !holds_let(&item.left) && !holds_let(&item.right) {
            for other in others {
                self.swap(item.span(), item.op.span(), other);
            }
        }
        visit::visit_expr_binary(self, item);
    }

    fn visit_expr_unary(&mut self, item: &'ast ExprUnary) {
        if let UnOp::Not(not) = item.op {
            self.swap(item.span(), not.span(), "");
        }
        visit::visit_expr_unary(self, item);
    }

    fn visit_expr_method_call(&mut self, item: &'ast ExprMethodCall) {
        let other = match item.method.to_string().as_str() {
            "min" => "max",
            "max" => "min",
            "any" => "all",
            "all" => "any",
            "is_some" => "is_none",
            "is_none" => "is_some",
            "is_some_and" => "is_none_or",
            "is_none_or" => "is_some_and",
            _ => "",
        };
        if !other.is_empty() {
            self.swap(item.span(), item.method.span(), other);
        }
        visit::visit_expr_method_call(self, item);
    }

    fn visit_expr_match(&mut self, item: &'ast ExprMatch) {
        let last_takes_all = item.arms.last().is_some_and(|arm| matches!(arm.pat, Pat::Wild(_)));
        if last_takes_all {
            for arm in &item.arms[..item.arms.len() - 1] {
                self.no_arm(arm);
            }
        }
        visit::visit_expr_match(self, item);
    }
}

impl Finder<'_> {
    fn no_arm(&mut self, arm: &Arm) {
        let (range, guarded) = match &arm.pat {
            Pat::Guard(guarded) => (guarded.guard.span().byte_range(), true),
            plain => (plain.span().byte_range().end..plain.span().byte_range().end, false),
        };
        let what = format!("no arm {}", self.source(arm.pat.span()).split_whitespace().collect::<Vec<_>>().join(" "));
        self.add(arm.pat.span(), range, Change::NoArm { guarded }, what);
    }
}
