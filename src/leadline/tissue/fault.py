"""What is raised when the engine cannot be trusted."""


class EngineFault(RuntimeError):
    """The engine does not give a known answer: nothing that it plans may be dived."""
