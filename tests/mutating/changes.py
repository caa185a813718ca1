"""Small changes of a module's source, each of which a good test should notice."""

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass

Made = tuple[ast.AST, ast.AST]  # a node and what stands in its place

COMPARED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
RECKONED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.BitOr: ast.BitAnd,
    ast.BitAnd: ast.BitOr,
}
TOLD = ("annotation", "returns", "type_params", "decorator_list", "bases")  # parts that say what things are
CALLED = {"min": "max", "max": "min", "all": "any", "any": "all"}


@dataclass(frozen=True, kw_only=True)
class Mutant:
    """One changed module. `name` says what was changed, and stays the same when other lines move."""

    file: str
    line: int
    name: str
    source: str


def mutants(file: str, source: str) -> Iterator[Mutant]:
    """Every mutant of a module."""
    tree = ast.parse(source)
    seen: dict[str, int] = {}
    for place in _places(tree):
        for node, instead in _changes(place.node):
            changed = _with(tree, node, instead)
            name = f"{file} {place.function}: {_short(node)} -> {_short(instead)}"
            seen[name] = seen.get(name, 0) + 1
            if seen[name] > 1:
                name += f" ({seen[name]})"
            yield Mutant(file=file, line=getattr(node, "lineno", 0), name=name, source=changed)


@dataclass(frozen=True)
class _Place:
    node: ast.AST
    function: str


def _places(tree: ast.Module) -> Iterator[_Place]:
    """Every node whose change would change what the module does; texts and annotations left out."""

    def visit(node: ast.AST, function: str) -> Iterator[_Place]:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            function = f"{function}.{node.name}".lstrip(".")
        yield _Place(node, function)
        for name, value in ast.iter_fields(node):
            if name in TOLD or (name == "keywords" and isinstance(node, ast.ClassDef)):
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST) and not isinstance(child, ast.JoinedStr):
                    yield from visit(child, function)

    yield from visit(tree, "")


def _changes(node: ast.AST) -> Iterator[Made]:
    yield from _other_operators(node)
    yield from _other_values(node)
    yield from _without_statements(node)


def _other_operators(node: ast.AST) -> Iterator[Made]:
    match node:
        case ast.Compare(ops=[op]):
            for other in COMPARED[type(op)]:
                yield node, _copied(node, ops=[other()])
        case ast.BinOp(op=op) if type(op) in RECKONED and not _is_type_union(node):
            yield node, _copied(node, op=RECKONED[type(op)]())
        case ast.BoolOp(op=op):
            yield node, _copied(node, op=ast.Or() if isinstance(op, ast.And) else ast.And())
        case ast.UnaryOp(op=ast.Not() | ast.USub(), operand=operand):
            yield node, operand
        case ast.IfExp(body=body, orelse=orelse):
            yield node, _copied(node, body=orelse, orelse=body)
        case ast.If(test=test) if not isinstance(test, ast.UnaryOp | ast.Compare | ast.BoolOp):
            yield test, ast.UnaryOp(op=ast.Not(), operand=test)


def _other_values(node: ast.AST) -> Iterator[Made]:
    match node:
        case ast.Constant(value=bool() as value):
            yield node, ast.Constant(value=not value)
        case ast.Constant(value=int() | float() as value):
            yield node, ast.Constant(value=value + 1 if value < 100 else value * 1.1)
        case ast.Call(func=ast.Name(id=called)) if called in CALLED:
            yield node, _copied(node, func=ast.Name(id=CALLED[called], ctx=ast.Load()))
        case ast.Set(elts=elements) if len(elements) > 1:
            for element in elements:
                yield node, _copied(node, elts=[one for one in elements if one is not element])
        case ast.Dict(keys=keys) if len(keys) > 1:
            yield from _without_entries(node)


def _without_entries(node: ast.Dict) -> Iterator[Made]:
    for left_out in node.keys:
        kept = [(key, value) for key, value in zip(node.keys, node.values, strict=True) if key is not left_out]
        yield node, _copied(node, keys=[key for key, _ in kept], values=[value for _, value in kept])


def _without_statements(node: ast.AST) -> Iterator[Made]:
    """Statements that can be left out without leaving a name undefined."""
    bodies = [getattr(node, name, []) for name in ("body", "orelse", "finalbody")]
    for body in bodies:
        for statement in body if isinstance(body, list) else []:
            match statement:
                case ast.Expr(value=ast.Constant()):
                    continue  # a docstring
                case ast.Expr() | ast.AugAssign() | ast.Raise() | ast.Continue() | ast.Break():
                    yield statement, ast.Pass()
                case ast.Return(value=None):
                    yield statement, ast.Pass()
                case ast.Return() if statement is not body[-1] or isinstance(node, ast.If):
                    yield statement, ast.Pass()
                case ast.Assign(targets=[ast.Attribute()]) if not _is_constructor(node):
                    yield statement, ast.Pass()


def _is_constructor(node: ast.AST) -> bool:
    return isinstance(node, ast.FunctionDef) and node.name == "__init__"


def _is_type_union(node: ast.BinOp) -> bool:
    """Whether it is a union of types (X | Y), which is no reckoning."""
    leaves = [one for one in ast.walk(node) if isinstance(one, ast.Name)]
    return isinstance(node.op, ast.BitOr) and bool(leaves) and all(leaf.id[:1].isupper() for leaf in leaves)


def _copied(node: ast.AST, **changes: object) -> ast.AST:
    other = copy.copy(node)
    for name, value in changes.items():
        setattr(other, name, value)
    return other


def _with(tree: ast.Module, node: ast.AST, instead: ast.AST) -> str:
    """The module's source with another node in this one's place."""

    class Swap(ast.NodeTransformer):
        def visit(self, here: ast.AST) -> ast.AST:
            return instead if here is node else self._kept(here)

        def _kept(self, here: ast.AST) -> ast.AST:
            twin = copy.copy(here)
            for name, value in ast.iter_fields(here):
                if isinstance(value, list):
                    setattr(twin, name, [self.visit(one) if isinstance(one, ast.AST) else one for one in value])
                elif isinstance(value, ast.AST):
                    setattr(twin, name, self.visit(value))
            return twin

    return ast.unparse(ast.fix_missing_locations(Swap().visit(tree)))


def _short(node: ast.AST) -> str:
    text = " ".join(ast.unparse(node).split())
    return text if len(text) <= 90 else text[:87] + "..."
