"""The plugins that come with Pointsman. They use nothing that anybody's plugin could not."""
