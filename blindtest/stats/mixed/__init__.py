"""Mixed models of ratings and of right and wrong answers: listeners and clips that differ, as random effects.

The front door is `blindtest.stats`: `fit_linear_mixed`, `fit_binary_mixed`, `likelihood_ratio_test`. Inside:

- from table to matrices: `model_matrix`, `random_part`, `codes`;
- ratings: `crossproducts`, `profile`, `descent`, `linear_fit`, `linear`;
- right and wrong: `links`, `effect_layout`, `laplace`, `quadrature`, `binary_fit`, `binary`;
- what a fit says: `degrees_of_freedom`, `kenward_roger`, `terms` (joint tests), `marginal_means`, `contrasts` with
  `adjustment`, `studentised_range` and `many_to_one`, `linear_profile` and `binary_profile`, `comparison`, `icc`;
- whether to trust it: `residuals`, `influence`.
"""
