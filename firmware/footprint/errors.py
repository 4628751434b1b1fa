"""What makes a bound impossible."""


class Unbounded(Exception):
    """The program holds something whose stack cannot be told beforehand."""
