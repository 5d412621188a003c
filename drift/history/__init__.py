"""All nights become pier and mount apart: causes, solver, steps, what can be told apart."""
