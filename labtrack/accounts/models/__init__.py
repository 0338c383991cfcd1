from labtrack.accounts.models.failed_sign_in import FailedSignIn
from labtrack.accounts.models.token import ApiToken
from labtrack.accounts.models.user import User

__all__ = ["ApiToken", "FailedSignIn", "User"]
