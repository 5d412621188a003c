"""The coming year: where axis and pier will be, sample paths, and past forecasts scored."""
